// Issuing: every reason against it, all or nothing, superseding. Rules 4, 6 and 7 of the domain.
import path from 'node:path'
import Database from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei, testProfile } from '../support/app.js'

const HOUR_MS = 3_600_000
let test: TestApp
let packageId: string
let count = 100
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId } = await prepare(test, { bytes: Buffer.from('firmware'), units: 0 }))
  await test.call('PUT', '/models/dash-cam', testProfile({ id: 'dash-cam' }))
})
afterAll(() => test.stop())

async function unit(change: object = {}): Promise<string> {
  count += 1
  const made = await test.call('POST', '/units', { imei: testImei(count), model: 'sill-cam', ...change })
  expect(made.status).toBe(201)
  return made.body.id
}
async function release(version: string, change: object = {}, model = 'sill-cam'): Promise<string> {
  const { body } = await test.call(
    'POST',
    `/packages?model=${model}&version=${encodeURIComponent(version)}&fileName=a.bin`,
    `bytes of ${version} ${model}`,
  )
  if (Object.keys(change).length > 0) await test.call('PATCH', `/packages/${body.id}`, change)
  await test.call('POST', `/packages/${body.id}/release`, {})
  return body.id
}
const report = (name: string, version: string, atMs = test.nowMs()) =>
  test.call('POST', '/check-ins', { unit: name, version, observedAt: new Date(atMs).toISOString() })
const issue = (body: object) => test.call('POST', '/tasks', { package: packageId, ...body })
const show = async (id: string) => (await test.call('GET', `/tasks/${id}`)).body

/** Rows of everything that an issue writes. */
function countRows(): Record<string, number> {
  const database = new Database(path.join(test.dataFolder, 'firmhand.db'), { readonly: true })
  const counts = Object.fromEntries(
    ['task', 'link', 'link_task', 'command', 'task_fact', 'audit', 'idempotency'].map((table) => [
      table,
      database.prepare(`select count(*) from ${table}`).pluck().get() as number,
    ]),
  )
  database.close()
  return counts
}

describe('a task', () => {
  it('has exactly the members of its description', async () => {
    const id = await unit()
    await report(id, '1.0.0', test.nowMs() - HOUR_MS)
    const { status, body } = await issue({ unit: id })
    expect(status).toBe(201)
    expect(body.skipped).toEqual([])
    const [task] = body.tasks
    const time = expect.stringMatching(/^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$/)
    expect(task).toEqual({
      id: task.id,
      unit: id,
      imei: testImei(count),
      serial: null,
      package: packageId,
      fromVersion: '1.0.0',
      toVersion: '2.0.0',
      method: 'air',
      state: 'queued',
      reason: null,
      standing: { grade: 'on-course', since: time, cause: null, next: expect.anything() },
      issuedAt: time,
      issuedBy: expect.stringMatching(/^k_/),
      deadline: time,
      moves: [
        {
          state: 'queued',
          at: task.issuedAt,
          observedAt: null,
          implied: false,
          grade: 'person',
          evidence: { kind: 'issue', id: task.id },
          by: task.issuedBy,
        },
      ],
      link: { id: task.link.id, url: expect.stringContaining('/d/'), state: 'live', expiresAt: null },
      command: {
        text: `sill gets ${task.link.url}`,
        encoding: 'GSM-7',
        units: expect.any(Number),
        segments: 1,
        cautions: expect.any(Array),
        onHold: false,
      },
      ledger: { sizeBytes: 8, grade: 'acknowledged', sent: [], acknowledged: [], inferred: [], duplicateBytes: 0 },
      flags: [],
      afterwards: [],
      chain: null,
      supersedes: null,
      supersededBy: null,
    })
    expect(Date.parse(task.deadline) - Date.parse(task.issuedAt)).toBe(168 * HOUR_MS)
    expect(await show(task.id)).toEqual(task)
  })

  it('takes a deadline, but none in the past', async () => {
    const deadline = new Date(test.nowMs() + HOUR_MS).toISOString()
    const { body } = await issue({ unit: await unit(), deadline })
    expect(body.tasks[0].deadline).toBe(deadline)
    const past = await issue({ unit: await unit(), deadline: new Date(test.nowMs() - 1000).toISOString() })
    expect(past.body.code).toBe('request-invalid')
  })
})

describe('issuing', () => {
  it('goes to one unit, to a list by any of their names, and to a group', async () => {
    const ids = [await unit({ groups: ['row'] }), await unit({ serial: 'S-77' }), await unit({ groups: ['row'] })]
    const list = await issue({ units: [ids[0], 'S-77', ids[0]] })
    expect(list.body.tasks.map((task: { unit: string }) => task.unit)).toEqual([ids[0], ids[1]])
    const group = await issue({ group: 'row' })
    expect(group.body.tasks.map((task: { unit: string }) => task.unit)).toEqual([ids[2]])
    expect(group.body.skipped).toEqual([
      { unit: ids[0], code: 'open-task', detail: expect.stringContaining(list.body.tasks[0].id) },
    ])
  })

  it('needs one way of naming units, and only one', async () => {
    for (const body of [{}, { unit: 'a', units: ['b'] }, { units: ['a'], group: 'b' }, { units: [] }, { unit: '' }])
      expect((await issue(body)).status).toBe(400)
    expect((await issue({ unit: 'nobody' })).body.code).toBe('unit-not-found')
    expect((await issue({ unit: await unit(), package: 'p_none' })).body.code).toBe('package-not-found')
    const empty = await issue({ group: 'nobody' })
    expect([empty.status, empty.body.code, empty.body.skipped]).toEqual([409, 'nothing-issued', []])
  })

  it('names its reason for every unit that it skips, and issues the rest', async () => {
    const strict = await release('2.5.0', { installsOver: ['2.0.0', '2.1.0'] })
    const names = {
      'open-task': await unit(),
      'already-on-target': await unit(),
      'wrong-model': await unit({ model: 'dash-cam' }),
      'path-not-allowed': await unit(),
      'unit-retired': await unit({ retired: true }),
      'unit-unknown': 'nobody',
    }
    await report(names['open-task'], '2.0.0')
    await report(names['already-on-target'], '2.5.0')
    await report(names['path-not-allowed'], '1.0.0')
    await issue({ unit: names['open-task'], package: strict })
    const [good, unknownVersion] = [await unit(), await unit()]
    await report(good, '2.1.0')
    const { status, body } = await issue({ units: [...Object.values(names), good, unknownVersion], package: strict })
    expect(status).toBe(201)
    expect(body.tasks.map((task: { unit: string }) => task.unit).sort()).toEqual([good, unknownVersion].sort())
    const skipped = Object.fromEntries(
      body.skipped.map((skip: { code: string; unit: string }) => [skip.code, skip.unit]),
    )
    expect(skipped).toEqual(names)
    for (const skip of body.skipped) expect(skip.detail).toMatch(/^[A-Z0-9].{15,}/)
  })

  it('knows the reasons of package and command: not released, no identity, too long', async () => {
    const refused = async (body: object) => {
      const answer = await issue(body)
      expect([answer.status, answer.body.code]).toEqual([409, 'nothing-issued'])
      return answer.body.skipped.map((skip: { code: string }) => skip.code)
    }
    const draft = await test.call('POST', '/packages?model=sill-cam&version=8.0.0&fileName=a.bin', 'draft')
    expect(await refused({ unit: await unit(), package: draft.body.id })).toEqual(['package-not-released'])
    const gone = await release('8.1.0')
    await test.call('POST', `/packages/${gone}/withdraw`, { reason: 'bad' })
    expect(await refused({ unit: await unit(), package: gone })).toEqual(['package-not-released'])

    const { command } = testProfile()
    await test.call(
      'PUT',
      '/models/named-cam',
      testProfile({ id: 'named-cam', command: { ...command, template: '{imei} {url}' } }),
    )
    const named = await release('1.0.0', {}, 'named-cam')
    const bySerial = await unit({ imei: null, serial: 'ONLY-1', model: 'named-cam' })
    expect(await refused({ unit: bySerial, package: named })).toEqual(['no-identity'])
    expect((await issue({ unit: bySerial, package: named, method: 'cable' })).status).toBe(201) // No command, no need for one.

    await test.call('PUT', '/models/terse-cam', testProfile({ id: 'terse-cam', command: { ...command, maxUnits: 40 } }))
    const terse = await release('1.0.0', {}, 'terse-cam')
    expect(await refused({ unit: await unit({ model: 'terse-cam' }), package: terse })).toEqual(['command-too-long'])
  })

  it('stores nothing where nothing is issued, and nothing where all were wanted', async () => {
    const [good, onTarget] = [await unit(), await unit()]
    await report(onTarget, '2.0.0')
    const before = countRows()
    const none = await test.call(
      'POST',
      '/tasks',
      { package: packageId, units: [onTarget, 'nobody'] },
      { headers: { 'idempotency-key': 'n' } },
    )
    const all = await issue({ units: [good, onTarget], allOrNothing: true })
    for (const answer of [none, all]) expect([answer.status, answer.body.code]).toEqual([409, 'nothing-issued'])
    expect(all.body.skipped).toEqual([{ unit: onTarget, code: 'already-on-target', detail: expect.any(String) }])
    expect(all.headers.get('content-type')).toContain('application/problem+json')
    expect(countRows()).toEqual(before)
    const some = await issue({ units: [good, onTarget] })
    expect(some.body.skipped).toEqual(all.body.skipped)
    expect(some.body.tasks).toHaveLength(1)
  })

  it('to a unit on its target goes by force only, and says so ever after', async () => {
    const id = await unit()
    await report(id, '2.0.0')
    expect((await issue({ unit: id })).body.skipped[0].code).toBe('already-on-target')
    const { body } = await issue({ unit: id, force: true })
    expect(body.tasks[0]).toMatchObject({ fromVersion: '2.0.0', toVersion: '2.0.0', state: 'queued' })
    await report(id, '2.0.0', test.nowMs() - 30_000) // Before the issue: it moves nothing.
    expect((await show(body.tasks[0].id)).state).toBe('queued')
  })

  it('of 1,000 units in one call gives 1,000 tasks, each with a link of its own', async () => {
    for (let i = 0; i < 1000; i += 100)
      await Promise.all(
        Array.from({ length: 100 }, (_, n) => unit({ imei: testImei(10_000 + i + n), groups: ['thousand'] })),
      )
    const before = countRows()
    const { status, body } = await issue({ group: 'thousand' })
    expect([status, body.tasks.length, body.skipped]).toEqual([201, 1000, []])
    expect(new Set(body.tasks.map((task: { link: { url: string } }) => task.link.url)).size).toBe(1000)
    const after = countRows()
    expect(after.task! - before.task!).toBe(1000)
    expect(after.audit! - before.audit!).toBe(3000) // Issued, link created, command composed.
  })
})

describe('superseding', () => {
  it('closes the old task, ends its link, and ties both together', async () => {
    const [id, newer] = [await unit(), await release('2.9.0')]
    const [old] = (await issue({ unit: id })).body.tasks
    expect((await issue({ unit: id, package: newer })).body.skipped[0].code).toBe('open-task')
    expect((await show(old.id)).state).toBe('queued')
    const { status, body } = await issue({ unit: id, package: newer, supersede: true })
    expect(status).toBe(201)
    expect(body.tasks[0]).toMatchObject({ state: 'queued', supersedes: old.id, supersededBy: null })
    expect(await show(old.id)).toMatchObject({
      state: 'superseded',
      supersededBy: body.tasks[0].id,
      standing: { grade: 'closed' },
      link: { state: 'revoked' },
    })
    const late = await fetch(old.link.url)
    expect([late.status, (await late.arrayBuffer()).byteLength]).toEqual([410, 0])
    expect((await fetch(body.tasks[0].link.url)).status).toBe(200)
    expect((await test.call('GET', `/units/${id}`)).body.openTask).toBe(body.tasks[0].id)
  })

  it('from fetched on needs the word that the unit may be installing', async () => {
    const [id, newer] = [await unit(), await release('2.9.1')]
    const [old] = (await issue({ unit: id, method: 'card' })).body.tasks
    await test.call('POST', `/tasks/${old.id}/attest`, { state: 'fetched', note: 'on the card' })
    const refused = await issue({ unit: id, package: newer, supersede: true })
    expect(refused.body.skipped[0]).toMatchObject({
      code: 'open-task',
      detail: expect.stringContaining('may-be-installing'),
    })
    expect((await issue({ unit: id, package: newer, supersede: true, acknowledge: 'yes' })).status).toBe(400)
    const done = await issue({ unit: id, package: newer, supersede: true, acknowledge: 'may-be-installing' })
    expect(done.body.tasks[0].supersedes).toBe(old.id)
    expect((await show(old.id)).state).toBe('superseded')
  })
})

describe('the list of tasks', () => {
  it('filters by state, unit, group and package, and pages', async () => {
    const id = await unit({ groups: ['listed'], serial: 'LIST-1' })
    const [task] = (await issue({ unit: id })).body.tasks
    const ids = async (query: string) =>
      (await test.call('GET', `/tasks?${query}`)).body.items.map((one: { id: string }) => one.id)
    for (const query of [
      `unit=${id}`,
      'unit=LIST-1',
      'group=listed',
      'group=listed&state=queued',
      `unit=${id}&package=${packageId}`,
    ])
      expect(await ids(query), query).toEqual([task.id])
    for (const query of ['unit=nobody', 'group=listed&state=applied', `unit=${id}&package=other`])
      expect(await ids(query), query).toEqual([])
    expect((await test.call('GET', '/tasks?state=done')).status).toBe(400)
    const first = await test.call('GET', '/tasks?limit=3')
    expect(first.body.items).toHaveLength(3)
    expect(await ids(`limit=3&after=${first.body.next}`)).not.toContain(first.body.items[2].id)
    expect((await test.call('GET', '/tasks/t_nothing')).body.code).toBe('task-not-found')
  })
})
