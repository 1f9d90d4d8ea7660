// Who may do what: every caller on every route that the two fastify instances have, as interfaces of the house promise it.
// The routes are read from instances made as the server makes its own: a new route that nobody gave a line here fails.

import { once } from 'node:events'
import http from 'node:http'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import type { Role } from '../../src/access/roles.js'
import { openSqlite } from '../../src/db/sqlite.driver.js'
import { createHub } from '../../src/events/hub.js'
import type { KnownRoute } from '../../src/http/problem.js'
import { createLogger } from '../../src/logger.js'
import { createOfficeApp } from '../../src/server/office-app.js'
import { createPublicApp } from '../../src/server/public-app.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { openRaw } from '../support/raw-http.js'

interface Route {
  listener: 'office' | 'public'
  method: string
  url: string
}

const OFFICE_OPEN = ['/healthz', '/readyz', '/openapi.json', '/problems', '/problems/:code', '/reference']
/** The changes of each role, beyond reading. */
const OPERATOR = /^\/api\/v1\/(units|tasks|links|check-ins|link-checks|imports?)(\/|$)/
const INTEGRATOR = /^\/api\/v1\/(models|packages|keys|settings|hold|labels)(\/|$)/
const READERS: Role[] = ['auditor', 'operator', 'integrator']

/** null = everyone, without any key. */
function rolesOf({ listener, method, url }: Route): Role[] | null {
  if (listener === 'public') {
    if (url === '/in/check-ins') return ['check-in']
    if (url === '/healthz' || url === '/d/*') return null
  } else if (method === 'GET' || method === 'HEAD') {
    if (url.startsWith('/api/v1/') || url === '/metrics') return READERS
    if (OFFICE_OPEN.includes(url) || url.startsWith('/reference/')) return null
  } else {
    if (url === '/api/v1/session') return method === 'POST' ? null : ['check-in', ...READERS]
    if (OPERATOR.test(url)) return ['operator', 'integrator']
    if (INTEGRATOR.test(url)) return ['integrator']
  }
  throw new Error(`the table says nothing of ${method} ${url} on the ${listener} listener: say who may`)
}

let test: TestApp
let routes: Route[]
let realIds: Record<string, string>
const closing: (() => Promise<unknown>)[] = []

const toRoutes = (listener: Route['listener'], table: readonly KnownRoute[]): Route[] =>
  table.flatMap(({ methods, url }) => methods.map((method) => ({ listener, method, url })))

/** The routes of instances made by the server's own code; nothing is asked of these. */
async function readRoutes(): Promise<Route[]> {
  const read = openSqlite(path.join(test.dataFolder, 'firmhand.db'), 'read')
  const common = { read, clock: test.nowMs, log: createLogger('silent') }
  const settings = { serverSecret: 'x', publicUrl: null, behindProxy: false }
  const unused = {
    services: {} as never,
    disk: {} as never,
    hub: createHub(),
    serverId: 'x',
    dataFolder: test.dataFolder,
    startMark: 'x',
    isStopping: () => false,
    notReady: async () => [],
    metrics: { open: false, text: async () => '' },
  }
  const { app: office } = await createOfficeApp({ ...common, ...unused, settings })
  const reports = await createPublicApp({ ...common, startMark: 'x', checkins: {} as never })
  closing.push(
    () => office.close(),
    () => reports.close(),
    () => read.destroy(),
  )
  return [...toRoutes('office', office.routeTable), ...toRoutes('public', reports.routeTable)]
}

type Headers = Record<string, string>
interface Caller {
  name: string
  headers: Headers
  /** null: nobody whom the server knows. */
  role: Role | null
  /** A session without its token may read only. */
  mayChange?: false
}
const callers: Caller[] = []

async function login(key: string): Promise<{ cookie: string; csrf: string }> {
  const { headers, body } = await test.call('POST', '/session', { key }, { key: null })
  return { cookie: headers.get('set-cookie')!.split(';')[0]!, csrf: body.csrfToken }
}

async function makeCallers(): Promise<void> {
  const make = async (body: object) => (await test.call('POST', '/keys', { role: 'integrator', ...body })).body
  const revoked = await make({ name: 'revoked' })
  const ended = await make({ name: 'its session' })
  const expired = await make({ name: 'expired', expiresAt: new Date(test.nowMs() + 60_000).toISOString() })
  const endedSession = await login(ended.secret)
  for (const { id } of [revoked, ended]) await test.call('DELETE', `/keys/${id}`)
  test.advance(61_000)
  const session = await login(test.keys.operator)
  const bearer = (secret: string): Headers => ({ authorization: `Bearer ${secret}` })
  callers.push(
    { name: 'no key', headers: {}, role: null },
    { name: 'garbage', headers: bearer('fmk-nothing'), role: null },
    { name: 'another scheme', headers: { authorization: 'Basic eDp5' }, role: null },
    { name: 'a revoked key', headers: bearer(revoked.secret), role: null },
    { name: 'an expired key', headers: bearer(expired.secret), role: null },
    {
      name: 'a session whose key was revoked',
      headers: { cookie: endedSession.cookie, 'x-csrf-token': endedSession.csrf },
      role: null,
    },
    { name: 'a session without its token', headers: { cookie: session.cookie }, role: 'operator', mayChange: false },
    {
      name: 'a session with another’s token',
      headers: { cookie: session.cookie, 'x-csrf-token': endedSession.csrf },
      role: 'operator',
      mayChange: false,
    },
    { name: 'a session', headers: { cookie: session.cookie, 'x-csrf-token': session.csrf }, role: 'operator' },
  )
  for (const role of [...READERS, 'check-in'] as Role[])
    callers.push({ name: role, headers: bearer(test.keys[role]), role })
}

beforeAll(async () => {
  test = await startTestApp()
  const { packageId, unitIds } = await prepare(test, { bytes: Buffer.from('firmware') })
  const issued = await test.call('POST', '/tasks', { unit: unitIds[0], package: packageId })
  const link = await test.call('POST', '/links', { package: packageId, kind: 'copy' })
  const key = await test.call('POST', '/keys', { name: 'to look at', role: 'auditor' })
  realIds = { units: unitIds[0]!, packages: packageId, tasks: issued.body.tasks[0].id, links: link.body.id }
  Object.assign(realIds, { keys: key.body.id, models: 'sill-cam' })
  routes = await readRoutes()
  await makeCallers()
})
afterAll(async () => {
  for (const close of closing) await close()
  await test.stop()
})

const agent = new http.Agent({ keepAlive: true })

/** An address with a thing that exists in its places, or with one that does not. */
const addressOf = ({ url }: Route, real: boolean): string => {
  const id = real ? (realIds[url.split('/')[3] ?? ''] ?? 'nothing') : 'nothing'
  return url.replaceAll(/:\w+/g, id).replace('*', 'nothing')
}

interface Seen {
  status: number
  headers: http.IncomingHttpHeaders
  text: string
}

async function ask(
  route: Route,
  headers: Headers,
  given: { real: boolean; body?: string; type?: string },
): Promise<Seen> {
  const base = route.listener === 'office' ? test.officeUrl : test.publicUrl
  const request = http.request(base + addressOf(route, given.real), {
    method: route.method,
    agent,
    headers: {
      ...headers,
      ...(given.body !== undefined && {
        'content-type': given.type ?? 'application/json',
        'content-length': String(Buffer.byteLength(given.body)),
      }),
    },
  })
  request.end(given.body)
  const [response] = (await once(request, 'response')) as [http.IncomingMessage]
  const seen = { status: response.statusCode!, headers: response.headers }
  if (String(seen.headers['content-type']).startsWith('text/event-stream')) {
    response.on('error', () => undefined).destroy()
    return { ...seen, text: '' }
  }
  let text = ''
  for await (const piece of response.setEncoding('utf8')) text += piece
  return { ...seen, text }
}

const isRead = ({ method }: Route) => method === 'GET' || method === 'HEAD' || method === 'OPTIONS'

/** What the caller is answered before anything else is looked at; null = let in. */
function refusalOf(route: Route, caller: Caller): { status: number; code: string } | null {
  const roles = rolesOf(route)
  if (roles === null) return null
  if (caller.role === null) return { status: 401, code: 'key-missing' }
  if (!isRead(route) && caller.mayChange === false) return { status: 403, code: 'csrf-missing' }
  return roles.includes(caller.role) ? null : { status: 403, code: 'role-insufficient' }
}

/** One for each way of being refused: they ask again, for what exists and with other bodies. */
const CURIOUS = ['no key', 'auditor', 'check-in', 'a session without its token']

const withoutInstance = (text: string): string => text.replace(/"instance":"[^"]*"/, '')

describe('every caller on every route', () => {
  it('there is a line for each route, and there are many', () => {
    expect(routes.filter(({ listener }) => listener === 'office').length).toBeGreaterThan(50)
    expect(routes.filter(({ listener }) => listener === 'public').length).toBeGreaterThan(2)
    for (const route of routes) expect(() => rolesOf(route)).not.toThrow()
    expect(() => rolesOf({ listener: 'office', method: 'POST', url: '/api/v1/something' })).toThrow('say who may')
  })

  it('is let in or refused as the roles say, and the refused learn nothing: not what exists, nor what is wrong', async () => {
    let refused = 0
    for (const route of routes.filter(({ url }) => url !== '/d/*')) {
      for (const caller of callers) {
        const name = `${caller.name}: ${route.method} ${route.url}`
        const expected = refusalOf(route, caller)
        const body = isRead(route) ? undefined : '{broken'
        const answer = await ask(route, caller.headers, { real: false, ...(body !== undefined && { body }) })
        if (expected === null) {
          const open = rolesOf(route) === null
          // The login looks at the key in its body, and that alone.
          if (!open || isRead(route)) expect([401, 403], name).not.toContain(answer.status)
          continue
        }
        refused += 1
        expect(answer.status, name).toBe(expected.status)
        if (expected.status === 401) expect(answer.headers['www-authenticate'], name).toBe('Bearer')
        if (route.method === 'HEAD' || !CURIOUS.includes(caller.name)) {
          if (route.method !== 'HEAD') expect(JSON.parse(answer.text), name).toMatchObject(expected)
          continue
        }
        expect(answer.headers['content-type'], name).toMatch(/^application\/problem\+json/)
        expect(JSON.parse(answer.text), name).toMatchObject(expected)
        const others = [
          await ask(route, caller.headers, { real: true, ...(body !== undefined && { body: '{}' }) }),
          await ask(route, caller.headers, {
            real: true,
            ...(body !== undefined && { body: 'x', type: 'text/plain' }),
          }),
        ]
        for (const other of others) expect(withoutInstance(other.text), name).toBe(withoutInstance(answer.text))
      }
    }
    expect(refused).toBeGreaterThan(300)
  }, 90_000)

  it('whoever is refused is answered before the body has come', async () => {
    for (const route of routes.filter((one) => !isRead(one) && rolesOf(one) !== null)) {
      for (const caller of callers.filter((one) => ['no key', 'auditor'].includes(one.name))) {
        const expected = refusalOf(route, caller)
        if (expected === null) continue
        const { port } = new URL(route.listener === 'office' ? test.officeUrl : test.publicUrl)
        const client = await openRaw({ port: Number(port) })
        const fields = Object.entries(caller.headers).map(([name, value]) => `${name}: ${value}\r\n`)
        client.send(
          `${route.method} ${addressOf(route, true)} HTTP/1.1\r\nHost: x\r\n${fields.join('')}Content-Type: application/json\r\nContent-Length: 900000\r\n\r\n{`,
        )
        const answer = await client.response()
        client.destroy()
        expect(answer.status, `${caller.name}: ${route.method} ${route.url}`).toBe(expected.status)
      }
    }
  }, 60_000)
})
