// What keys are: listed, shown once, revoked, past their time. Who may do what on which route: role-table.test.ts.
import request from 'supertest'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

describe('roles', () => {
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
