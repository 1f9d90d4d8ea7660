// Problem documents: RFC 9457 in form, JSON pointers (RFC 6901) to what is wrong, and nothing stored by what was refused.
import net from 'node:net'
import path from 'node:path'
import Database from 'better-sqlite3'
import request from 'supertest'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testProfile } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await test.call('PUT', '/models/sill-cam', testProfile())
})
afterAll(() => test.stop())

const auth = () => ({ authorization: `Bearer ${test.keys.integrator}` })
const post = (target: string) => request(test.officeUrl).post(`/api/v1${target}`).set(auth())

/** RFC 9457 §3.1: the five members, the status equal to the real one; `code` and no inner text are ours. */
function expectProblem(
  answer: { status: number; headers: Record<string, string>; body: Record<string, unknown>; text: string },
  status: number,
  code: string,
) {
  expect(answer.status, answer.text).toBe(status)
  expect(answer.headers['content-type']).toMatch(/^application\/problem\+json/)
  expect(answer.body).toMatchObject({ status, code, type: `/problems/${code}` })
  for (const member of ['title', 'detail', 'instance']) expect(String(answer.body[member])).not.toBe('')
  expect(answer.text).not.toMatch(/sqlite|insert into|constraint failed|\.[jt]s:\d|node_modules| {4}at /i)
}

/** How many rows there are in each table: what a refused request must not change. */
function countRows(): Record<string, number> {
  const database = new Database(path.join(test.dataFolder, 'firmhand.db'), { readonly: true })
  const tables = database.prepare("select name from sqlite_master where type = 'table'").pluck().all() as string[]
  const counts = Object.fromEntries(
    tables.map((table) => [table, database.prepare(`select count(*) from "${table}"`).pluck().get() as number]),
  )
  database.close()
  return counts
}

describe('a refused request', () => {
  const cases: [what: string, status: number, code: string, call: () => request.Test][] = [
    ['a body that is no JSON', 400, 'body-unreadable', () => post('/units').type('json').send('{"imei":')],
    ['an empty body', 400, 'body-unreadable', () => post('/units').type('json').send('')],
    ['a body that is null', 400, 'request-invalid', () => post('/units').type('json').send('null')],
    [
      'a prototype in the body',
      400,
      'body-unreadable',
      () => post('/units').type('json').send('{"__proto__":{"a":1}}'),
    ],
    [
      'half a character',
      400,
      'request-invalid',
      () => post('/units').type('json').send('{"serial":"A","model":"sill-cam","notes":"\\ud800"}'),
    ],
    [
      'a NUL',
      400,
      'request-invalid',
      () => post('/units').type('json').send('{"serial":"A","model":"sill-cam","hardware":"\\u0000"}'),
    ],
    [
      'a body nested without end',
      400,
      'request-invalid',
      () =>
        post('/units')
          .type('json')
          .send(`{"groups":${'['.repeat(100_000)}${']'.repeat(100_000)}}`),
    ],
    [
      'a body above 1 MiB',
      413,
      'body-too-large',
      () =>
        post('/units')
          .type('json')
          .send(JSON.stringify({ notes: 'x'.repeat(1024 * 1024) })),
    ],
    ['another media type', 415, 'media-type-unknown', () => post('/units').type('text/plain').send('serial=A')],
    ['a form', 415, 'media-type-unknown', () => post('/units').type('form').send('serial=A')],
    ['an address that is none', 404, 'route-unknown', () => post('/nothing').send({})],
    ['an address that cannot be decoded', 400, 'request-invalid', () => post('/units/%zz').send({})],
    [
      'a cursor that is too long',
      400,
      'request-invalid',
      () =>
        request(test.officeUrl)
          .get(`/api/v1/units?after=${'x'.repeat(200)}`)
          .set(auth()),
    ],
    [
      'an id that is too long',
      400,
      'request-invalid',
      () =>
        request(test.officeUrl)
          .get(`/api/v1/units/${'x'.repeat(200)}`)
          .set(auth()),
    ],
    [
      'a method that the address does not take',
      405,
      'method-not-allowed',
      () => request(test.officeUrl).put('/api/v1/units').set(auth()).send({}),
    ],
    ['a key without a name', 400, 'request-invalid', () => post('/keys').send({ role: 'operator' })],
    ['an unknown role', 400, 'request-invalid', () => post('/keys').send({ name: 'x', role: 'root' })],
    [
      'an Idempotency-Key that is too long',
      400,
      'request-invalid',
      () => post('/keys').set('idempotency-key', 'x'.repeat(201)).send({ name: 'x', role: 'auditor' }),
    ],
  ]
  it.each(cases)('%s: %i %s, and nothing is stored', async (_what, status, code, call) => {
    const before = countRows()
    expectProblem(await call(), status, code)
    expect(countRows()).toEqual(before)
  })

  it('says where: pointers to each fault, members that do not belong there by name', async () => {
    const answer = await post('/units').send({
      imei: '490154203237517',
      model: 7,
      color: 'red',
      'a/b~c': 1,
      groups: ['ok', ''],
    })
    expectProblem(answer, 400, 'request-invalid')
    const pointers = answer.body.errors.map((fault: { pointer: string }) => fault.pointer).sort()
    expect(pointers).toEqual(['/a~1b~0c', '/color', '/groups/1', '/imei', '/model'])
    for (const fault of answer.body.errors) expect(fault.detail.length).toBeGreaterThan(5)
    const root = await post('/tasks').send({ package: 'p' })
    expect(root.body.errors).toEqual([{ pointer: '', detail: expect.stringContaining('exactly one of') }])
    const query = await request(test.officeUrl).get('/api/v1/units?limit=1001').set(auth())
    expect(query.body.errors[0].pointer).toBe('/querystring/limit')
  })

  it('names the methods that an address takes (RFC 9110 §15.5.6)', async () => {
    const answer = await request(test.officeUrl).delete('/api/v1/units/x').set(auth())
    expect(answer.status).toBe(405)
    expect(answer.headers.allow!.split(', ').sort()).toEqual(['GET', 'HEAD', 'PATCH'])
  })

  it('is a problem also where it is no HTTP that can be read', async () => {
    const { port } = new URL(test.officeUrl)
    const text = await new Promise<string>((resolve) => {
      let got = ''
      net
        .connect(Number(port), '127.0.0.1')
        .setEncoding('utf8')
        .on('data', (data) => {
          got += data
        })
        .on('close', () => resolve(got))
        .end('BREW /api/v1/units HTTP/1.1\r\nHost: x\r\n\r\n')
    })
    const [head, body] = text.split('\r\n\r\n')
    expect(head).toMatch(/^HTTP\/1\.1 400 /)
    expect(head).toMatch(/content-type: application\/problem\+json/i)
    expect(JSON.parse(body!)).toMatchObject({ status: 400, code: 'request-invalid' })
  })

  it('of two answers each has an instance of its own', async () => {
    const [one, other] = [await post('/nothing').send({}), await post('/nothing').send({})]
    expect(one.body.instance).not.toBe(other.body.instance)
  })
})

describe('a failure inside a transaction', () => {
  it('leaves nothing, and tells the caller nothing of the inside', async () => {
    const { packageId, unitIds } = await prepare(test, { bytes: Buffer.from('firmware'), units: 3 })
    // The database itself refuses the last statement of an issue: links, tasks and commands are written by then.
    const database = new Database(path.join(test.dataFolder, 'firmhand.db'))
    database.exec(
      "create trigger refuse before insert on audit when new.action = 'command.composed' begin select raise(abort, 'secret inside'); end",
    )
    const before = countRows()
    const failed = await post('/tasks').send({ units: unitIds, package: packageId })
    expectProblem(failed, 500, 'internal')
    expect(failed.text).not.toContain('secret inside')
    expect(countRows()).toEqual(before)
    database.exec('drop trigger refuse')
    database.close()
    const issued = await post('/tasks').send({ units: unitIds, package: packageId })
    expect(issued.status).toBe(201)
    expect(issued.body.tasks).toHaveLength(3)
  })

  it('leaves nothing where a rule speaks up after the first row was written', async () => {
    const { packageId } = await prepare(test, { bytes: Buffer.from('firmware'), units: 0 })
    const before = countRows()
    const answer = await post('/links').send({ package: packageId, kind: 'copy', tasks: ['t_nothing'] })
    expectProblem(answer, 404, 'task-not-found')
    expect(countRows()).toEqual(before)
  })
})
