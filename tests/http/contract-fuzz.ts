// The contract of the API held against the true server: what its description says is asked for in every odd way, and every
// answer has to be one that it names. Used by contract.test.ts (short, a fixed seed) and by `npm run bench -- contract`.
import { once } from 'node:events'
import http from 'node:http'
import Ajv2020 from 'ajv/dist/2020.js'
import addFormats from 'ajv-formats'
import fc from 'fast-check'
import { PROBLEMS, type ProblemCode } from '../../src/errors.js'
import { prepare, type TestApp, testImei } from '../support/app.js'
import { type Call, callOf, type Known } from './contract-values.js'
import { type Operation, readAll, type Schema } from './openapi.js'

interface Sent {
  status: number
  type: string
  headers: http.IncomingHttpHeaders
  text: string
}

export interface Found {
  requests: number
  /** How often each `method path status` was seen. */
  seen: Map<string, number>
  /** What broke the contract, each kind once, with the call. */
  faults: string[]
}

/** A small fleet with something of everything: packages in each state, tasks in several, links, keys to be revoked. */
export async function makeFleet(test: TestApp): Promise<Known> {
  const { packageId, unitIds, imeis } = await prepare(test, { bytes: Buffer.from('firmware'), units: 12 })
  const add = async (version: string, bytes: string) =>
    (await test.call('POST', `/packages?model=sill-cam&version=${version}&fileName=a.bin`, Buffer.from(bytes))).body.id
  const [draft, empty, withdrawn] = [await add('3.0.0', 'draft'), await add('3.1.0', ''), await add('3.2.0', 'gone')]
  const drafts = [await add('3.3.0', 'second'), await add('3.4.0', 'third')]
  await test.call('POST', `/packages/${withdrawn}/release`, {})
  await test.call('POST', `/packages/${withdrawn}/withdraw`, { reason: 'r' })
  await test.call('PATCH', `/units/${unitIds[0]}`, { groups: ['g'], phone: '+441632960001' })
  const issue = async (unit: string, method = 'air') =>
    (await test.call('POST', '/tasks', { unit, package: packageId, method })).body.tasks[0].id as string
  const tasks: string[] = []
  for (const [index, unit] of unitIds.slice(0, 11).entries()) {
    if (index !== 4 && index !== 5) tasks.push(await issue(unit, index % 2 === 0 && index > 0 ? 'card' : 'air'))
  }
  await test.call('POST', `/tasks/${tasks[1]}/cancel`, { reason: 'r' })
  await test.call('POST', `/tasks/${tasks[2]}/attest`, { state: 'fetched', note: 'n' })
  test.advance(60_000)
  const observedAt = new Date(test.nowMs()).toISOString()
  await test.call('POST', '/check-ins', { unit: imeis[3], version: '2.0.0', observedAt })
  const link = async (body: object) => (await test.call('POST', '/links', { package: packageId, ...body })).body.id
  const links = [
    await link({ kind: 'copy' }),
    await link({ kind: 'unit', unit: unitIds[4] }),
    await link({ kind: 'copy' }),
  ]
  await test.call('DELETE', `/links/${links[2]}`)
  const keys: string[] = []
  for (const name of ['a', 'b']) keys.push((await test.call('POST', '/keys', { name, role: 'auditor' })).body.id)
  return {
    packages: [packageId, draft, ...drafts, empty, withdrawn],
    // The tasks of the others stay open whatever is issued here.
    units: [...unitIds.slice(0, 6), imeis[5]!],
    tasks,
    links,
    keys,
    models: ['sill-cam'],
    imeis: [...imeis.slice(0, 6), testImei(700)],
    key: [test.keys.operator, test.keys.auditor],
    problems: ['unit-not-found'],
    version: ['2.0.0', '1.0.0', '3.0.0'],
    fileName: ['a.bin', 'sill.bin'],
    group: ['g'],
    groups: ['g'],
    phone: ['+441632960002'],
    timeZone: ['UTC', 'Europe/Berlin'],
    role: ['operator'],
    action: ['task.', 'key.created'],
  }
}

/** Calls that end things come late, or the others would find nothing alive. */
const ENDING = /^(delete|withdraw|cancel|revoke)/
const QUIET_SHARE = 0.5

const agent = new http.Agent({ keepAlive: true, maxSockets: 8 })

export async function fuzzContract(
  test: TestApp,
  given: { seed: number; rounds: number; limitMs: number },
): Promise<Found> {
  const known = await makeFleet(test)
  const { document, operations } = await readAll(test.officeUrl)
  // Downloads have rules of their own, and their own tests in tests/downloads.
  const asked = operations.filter(({ path }) => !path.startsWith('/d/'))
  const judge = judgeBy(document)
  const session = await test.call('POST', '/session', { key: test.keys.operator }, { key: null })
  const login = { cookie: session.headers.get('set-cookie')!.split(';')[0]!, csrf: session.body.csrfToken as string }
  const calls = new Map(
    asked.map((operation, index) => {
      const id = document.paths[operation.path][operation.method].operationId as string
      const arbitrary = callOf(operation, id, { document, known })
      return [operation, fc.sample(arbitrary, { seed: given.seed + index, numRuns: given.rounds })]
    }),
  )
  const found: Found = { requests: 0, seen: new Map(), faults: [] }
  const kinds = new Set<string>()
  const endMs = performance.now() + given.limitMs
  async function one(operation: Operation, call: Call): Promise<void> {
    const answer = await send(test, operation, call, login)
    found.requests += 1
    const seen = `${operation.method} ${operation.path} ${answer.status}`
    found.seen.set(seen, (found.seen.get(seen) ?? 0) + 1)
    for (const fault of judge(operation, answer, call.headOnly)) {
      if (kinds.has(`${seen} ${fault.kind}`)) continue
      kinds.add(`${seen} ${fault.kind}`)
      const what = `${JSON.stringify(call).slice(0, 600)}\n  ${answer.text.slice(0, 400)}`
      found.faults.push(`${seen} ${fault.kind}: ${fault.text}\n  ${what}`)
    }
  }
  for (let round = 0; round < given.rounds && performance.now() < endMs; round += 1) {
    const due = [...calls].filter(([operation, list]) => {
      // Ends the session that the others need.
      if (operation.path === '/api/v1/session' && list[round]!.caller === 'session') return false
      const id = document.paths[operation.path][operation.method].operationId as string
      if (operation.method === 'post' && HOLDING.includes(operation.path)) return false
      return !ENDING.test(id) || round >= given.rounds * QUIET_SHARE
    })
    // Several at once: what they do to each other is a part of the question.
    await Promise.all(due.map(([operation, list]) => one(operation, list[round]!)))
    for (const path of HOLDING) {
      const [operation, list] = [...calls].find(([known]) => known.method === 'post' && known.path === path)!
      if (path.endsWith('/release')) await test.call('POST', '/hold', { reason: 'r' })
      else await release(test)
      await one(operation, await withHeldNumbers(test, list[round]!))
    }
    await release(test)
  }
  return found
}

/** While it lasts nearly every other call is refused: these two have turns of their own. */
const HOLDING = ['/api/v1/hold', '/api/v1/hold/release']

const heldNumbers = async (test: TestApp) => (await test.call('GET', '/hold')).body.held

/** A release has to name what is held at that moment, which no fixed body can. */
async function withHeldNumbers(test: TestApp, call: Call): Promise<Call> {
  const body = call.body as { acknowledge?: unknown } | null
  if (typeof body !== 'object' || body?.acknowledge === undefined) return call
  return { ...call, body: { ...body, acknowledge: await heldNumbers(test) } }
}

async function release(test: TestApp): Promise<void> {
  await test.call('POST', '/hold/release', { note: 'n', acknowledge: await heldNumbers(test) })
}

/** Half a character cannot be written into an address. */
const written = (value: unknown): string =>
  encodeURIComponent(
    (typeof value === 'object' ? JSON.stringify(value) : String(value)).replace(/[\ud800-\udfff]/gu, '?'),
  )

async function send(
  test: TestApp,
  operation: Operation,
  call: Call,
  login: { cookie: string; csrf: string },
): Promise<Sent> {
  let path = operation.path
  const query: string[] = []
  for (const [key, value] of Object.entries(call.parameters)) {
    const [place, name] = key.split(':')
    if (place === 'path') path = path.replace(`{${name}}`, written(value ?? '') || '%20')
    else if (value !== undefined) query.push(`${name}=${written(value)}`)
  }
  const { caller, media, body } = call
  const headers: Record<string, string> = { ...call.headers }
  if (caller === 'session' || caller === 'session-no-csrf') headers.cookie = login.cookie
  else if (caller !== 'nobody') headers.authorization = `Bearer ${test.keys[caller]}`
  if (caller === 'session') headers['x-csrf-token'] = login.csrf
  if (media !== '') headers['content-type'] = media
  const bytes =
    Buffer.isBuffer(body) || typeof body === 'string' ? body : body === undefined ? null : JSON.stringify(body)
  const isJson = media === 'application/json' && typeof body === 'string'
  const payload = isJson ? JSON.stringify(body) : bytes
  if (payload !== null) headers['content-length'] = String(Buffer.byteLength(payload))
  const base = operation.listener === 'public' ? test.publicUrl : test.officeUrl
  const request = http.request(`${base}${path}${query.length > 0 ? `?${query.join('&')}` : ''}`, {
    method: call.headOnly ? 'HEAD' : operation.method.toUpperCase(),
    headers,
    agent,
  })
  request.end(payload ?? undefined)
  const [response] = (await once(request, 'response')) as [http.IncomingMessage]
  const type = response.headers['content-type'] ?? ''
  const answer = { status: response.statusCode!, type, headers: response.headers }
  if (type.startsWith('text/event-stream')) {
    response.on('error', () => undefined)
    response.destroy()
    return { ...answer, text: '' }
  }
  let text = ''
  for await (const piece of response.setEncoding('utf8')) text += piece
  return { ...answer, text }
}

interface Fault {
  kind: string
  text: string
}

function judgeBy(document: Schema): (operation: Operation, answer: Sent, headOnly: boolean) => Fault[] {
  const ajv = new Ajv2020.default({ strict: false, allErrors: true })
  addFormats.default(ajv)
  ajv.addSchema(document, 'doc')
  // By their text: most answers share the schema of problems, and compiling is what takes the time.
  const checks = new Map<string, ReturnType<typeof ajv.compile>>()
  const checkOf = (schema: Schema) => {
    const text = JSON.stringify(schema).replaceAll('"#/', '"doc#/')
    const check = checks.get(text) ?? ajv.compile(JSON.parse(text))
    checks.set(text, check)
    return check
  }
  return (operation, { status, type, headers, text }, headOnly) => {
    const faults: Fault[] = []
    const fault = (kind: string, words: string) => faults.push({ kind, text: words })
    if (status >= 500) fault('failed', 'the server failed')
    if (/sqlite|insert into|constraint failed|\.[jt]s:\d| {4}at /i.test(text)) fault('inside', 'it tells of the inside')
    const described = operation.responses[String(status)]
    if (!described) {
      fault('status', 'this status is not described')
      return faults
    }
    const media = type.split(';')[0]!.trim()
    const content = described.content ?? {}
    if (Object.keys(content).length === 0) {
      if (text !== '') fault('body', 'it has a body that is not described')
      return faults
    }
    if (!content[media]) {
      fault('type', `it came as ${type || 'nothing'}`)
      return faults
    }
    if (headOnly) {
      if (text !== '') fault('body', 'HEAD has a body')
    } else if (/\bjson$/.test(media) && !/ndjson/.test(media)) {
      const value = JSON.parse(text)
      const check = checkOf(content[media].schema)
      if (!check(value)) fault('schema', ajv.errorsText(check.errors))
      if (media === 'application/problem+json')
        for (const words of problemFaults(value, status)) fault('problem', words)
      if (status === 401 && headers['www-authenticate'] !== 'Bearer') fault('problem', 'no WWW-Authenticate')
    } else if (/ndjson/.test(media)) {
      for (const line of text.split('\n').filter(Boolean)) JSON.parse(line)
    }
    return faults
  }
}

/** RFC 9457 §3.1, and the table of the house. */
function problemFaults(value: Record<string, unknown>, status: number): string[] {
  const faults: string[] = []
  const known = PROBLEMS[value.code as ProblemCode]
  if (!known) return [`the code ${value.code} is in no table`]
  if (value.status !== status || known.status !== status) faults.push('the status is not that of the answer')
  if (value.type !== `/problems/${value.code}`) faults.push('the type leads elsewhere')
  if (value.title !== known.title) faults.push('the title is another')
  if (String(value.detail).length < 10) faults.push('the detail says nothing')
  if (!/^r_/.test(String(value.instance))) faults.push('there is no instance')
  return faults
}
