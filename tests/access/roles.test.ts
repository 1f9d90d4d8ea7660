// Who may do what: every role on every route of the API's own description, and keys that are dead.
import request from 'supertest'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { filled, type Operation, readDocument } from '../http/openapi.js'
import { startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
let operations: Operation[]
beforeAll(async () => {
  test = await startTestApp()
  operations = (await readDocument(test.officeUrl)).operations.filter(({ path }) => path.startsWith('/api/v1'))
})
afterAll(() => test.stop())

/** The roles of interfaces.md, written down here a second time: which changes belong to whom. */
const OPERATOR_CHANGES = /^\/api\/v1\/(units|tasks|links|check-ins|link-checks)(\/|$)/
const INTEGRATOR_CHANGES = /^\/api\/v1\/(models|packages|keys|hold|labels)(\/|$)/

function mayCall(role: string, { method, path }: Operation): boolean {
  if (role === 'check-in') return false
  if (method === 'get') return true
  if (OPERATOR_CHANGES.test(path)) return role === 'operator' || role === 'integrator'
  if (INTEGRATOR_CHANGES.test(path)) return role === 'integrator'
  throw new Error(`the test knows nothing of ${method} ${path}: say who may`)
}

const isSession = ({ path }: Operation) => path === '/api/v1/session'
/** The stream never ends by itself; it is asked for separately. */
const isStream = ({ path }: Operation) => path === '/api/v1/events'

const send = (operation: Operation, key: string | null) => {
  const call = request(test.officeUrl)[operation.method](filled(operation.path))
  return key === null ? call : call.set('authorization', `Bearer ${key}`)
}

describe('roles', () => {
  it('are asked for on every route: without a key all of them answer 401, before any body is looked at', async () => {
    expect(operations.length).toBeGreaterThan(25)
    for (const operation of operations.filter((one) => !isSession(one) || one.method === 'delete')) {
      for (const key of [null, 'fmk-nothing']) {
        const answer = await send(operation, key)
        expect(answer.status, `${operation.method} ${operation.path}`).toBe(401)
        expect(answer.body.code).toBe('key-missing')
        expect(answer.headers['www-authenticate']).toBe('Bearer')
      }
    }
    const unread = await request(test.officeUrl).post('/api/v1/units').type('json').send('{broken')
    expect(unread.status).toBe(401)
  })

  it.each(['integrator', 'operator', 'auditor', 'check-in'] as const)(
    '%s: 403 where it may not, else never',
    async (role) => {
      for (const operation of operations.filter((one) => !isSession(one))) {
        const name = `${role}: ${operation.method} ${operation.path}`
        const allowed = mayCall(role, operation)
        if (isStream(operation) && allowed) continue
        const answer = await send(operation, test.keys[role])
        if (allowed) expect([401, 403], name).not.toContain(answer.status)
        else {
          expect(answer.status, name).toBe(403)
          expect(answer.body.code).toBe('role-insufficient')
        }
      }
    },
  )

  it('let the stream of events to readers only', async () => {
    const open = async (role: keyof TestApp['keys']) => {
      const stop = new AbortController()
      const { status } = await fetch(`${test.officeUrl}/api/v1/events`, {
        headers: { authorization: `Bearer ${test.keys[role]}` },
        signal: stop.signal,
      })
      stop.abort()
      return status
    }
    expect(await open('auditor')).toBe(200)
    expect(await open('check-in')).toBe(403)
  })

  it('on the public listener: check-in keys only, and nothing of the office', async () => {
    const report = { unit: 'nobody', version: '1.0.0' }
    const post = (key: string) =>
      request(test.publicUrl).post('/in/check-ins').set('authorization', `Bearer ${key}`).send(report)
    expect((await post(test.keys['check-in'])).status).toBe(200)
    for (const role of ['integrator', 'operator', 'auditor'] as const)
      expect((await post(test.keys[role])).status).toBe(403)
    expect((await request(test.publicUrl).post('/in/check-ins').send(report)).status).toBe(401)
    for (const path of ['/api/v1/units', '/openapi.json', '/readyz', '/metrics', '/reference', '/']) {
      const answer = await request(test.publicUrl).get(path).set('authorization', `Bearer ${test.keys.integrator}`)
      expect(answer.status, path).toBe(404)
    }
    expect((await request(test.publicUrl).get('/healthz')).body).toEqual({ ok: true })
  })
})

describe('keys', () => {
  const whoami = (key: string) => request(test.officeUrl).get('/api/v1/units').set('authorization', `Bearer ${key}`)
  const asIntegrator = { authorization: `Bearer ` }
  beforeAll(() => {
    asIntegrator.authorization = `Bearer ${test.keys.integrator}`
  })
  const create = (body: object) => request(test.officeUrl).post('/api/v1/keys').set(asIntegrator).send(body)

  it('show their secret once, and then only who they are', async () => {
    const made = await create({ name: 'night shift', role: 'operator' })
    expect(made.status).toBe(201)
    expect(Object.keys(made.body).sort()).toEqual(['expiresAt', 'id', 'name', 'role', 'secret'])
    expect(made.body).toMatchObject({ name: 'night shift', role: 'operator', expiresAt: null })
    const listed = await request(test.officeUrl).get('/api/v1/keys').set(asIntegrator)
    expect(listed.body.items.find((key: { id: string }) => key.id === made.body.id)).toMatchObject({ revokedAt: null })
    expect(JSON.stringify(listed.body)).not.toContain(made.body.secret)
    expect((await whoami(made.body.secret)).status).toBe(200)
  })

  it('are listed page by page', async () => {
    const seen: string[] = []
    for (let after = ''; ; ) {
      const query = after === '' ? 'limit=2' : `limit=2&after=${after}`
      const page = await request(test.officeUrl).get(`/api/v1/keys?${query}`).set(asIntegrator)
      seen.push(...page.body.items.map((key: { id: string }) => key.id))
      if (page.body.next === null) break
      after = page.body.next
    }
    expect(new Set(seen).size).toBe(seen.length)
    expect(seen.length).toBeGreaterThanOrEqual(5)
  })

  it('die when revoked, and no other with them', async () => {
    const [one, other] = [await create({ name: 'a', role: 'auditor' }), await create({ name: 'b', role: 'auditor' })]
    const revoke = () => request(test.officeUrl).delete(`/api/v1/keys/${one.body.id}`).set(asIntegrator)
    expect((await revoke()).status).toBe(204)
    expect((await whoami(one.body.secret)).status).toBe(401)
    expect((await whoami(other.body.secret)).status).toBe(200)
    expect((await revoke()).status).toBe(204) // Already so.
    expect((await request(test.officeUrl).delete('/api/v1/keys/k_nothing').set(asIntegrator)).status).toBe(404)
  })

  it('die at their time and not before it; a time in the past is refused', async () => {
    const expiresAt = new Date(test.nowMs() + 3_600_000).toISOString()
    const { body } = await create({ name: 'a week of help', role: 'operator', expiresAt })
    expect(body.expiresAt).toBe(expiresAt)
    test.advance(3_540_000)
    expect((await whoami(body.secret)).status).toBe(200)
    test.advance(60_000)
    expect((await whoami(body.secret)).status).toBe(401)
    const late = await create({ name: 'too late', role: 'operator', expiresAt })
    expect(late.status).toBe(400)
    expect(late.body.errors[0].pointer).toBe('/expiresAt')
  })
})
