// Many units in one call: worked through in slices, answered piece by piece, and all of it one change of the record.
import path from 'node:path'
import Database from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { prepare, startTestApp, type TestApp, testImei } from '../support/app.js'

/** Some slices, and one that is not full. */
const UNITS = 1203
let test: TestApp
const packages: string[] = []

const database = () => new Database(path.join(test.dataFolder, 'firmhand.db'))
const unitId = (n: number) => `u_${String(n).padStart(21, '0')}`

beforeAll(async () => {
  test = await startTestApp()
  for (const version of ['2.0.0', '3.0.0']) {
    packages.push((await prepare(test, { bytes: Buffer.from(version), version, units: 0 })).packageId)
  }
  const db = database()
  const unit = db.prepare(
    `insert into unit (id, imei, model_id, time_zone, notes, retired, created_at_ms) values (?, ?, 'sill-cam', 'UTC', '', 0, 1)`,
  )
  const group = db.prepare('insert into unit_group (unit_id, name) values (?, ?)')
  db.transaction(() => {
    for (let n = 0; n < UNITS; n += 1) {
      unit.run(unitId(n), testImei(n))
      group.run(unitId(n), 'fleet')
    }
  })()
  db.close()
})
afterAll(() => test.stop())

function counts(): { [table: string]: number } {
  const db = database()
  const count = (table: string) => db.prepare(`select count(*) from ${table}`).pluck().get() as number
  const all = Object.fromEntries(
    ['task', 'link', 'link_task', 'command', 'task_fact', 'audit'].map((name) => [name, count(name)]),
  )
  db.close()
  return all
}
async function allTasks(query: string): Promise<{ id: string }[]> {
  const tasks: { id: string }[] = []
  for (let after = ''; ; ) {
    const { body } = await test.call('GET', `/tasks?limit=1000${query}${after && `&after=${after}`}`)
    tasks.push(...body.items)
    if (body.next === null) return tasks
    after = body.next
  }
}
const issue = (body: object, headers: Record<string, string> = {}) => test.call('POST', '/tasks', body, { headers })

describe('a group of more units than one slice has', () => {
  it('is refused as a whole where all or nothing is asked for and the very last one stands in the way', async () => {
    const last = unitId(UNITS - 1)
    await test.call('PATCH', `/units/${last}`, { retired: true })
    const before = counts()
    const refused = await issue({ group: 'fleet', package: packages[0], allOrNothing: true })
    expect(refused.status).toBe(409)
    expect(refused.body).toMatchObject({ code: 'nothing-issued', skipped: [{ unit: last, code: 'unit-retired' }] })
    expect(counts()).toEqual(before)
    await test.call('PATCH', `/units/${last}`, { retired: false })
  })

  it('gets a task each, and the answer says of each what the task itself says', async () => {
    const before = counts()
    const key = { 'idempotency-key': 'large-1' }
    const { status, headers, body } = await issue({ group: 'fleet', package: packages[0] }, key)
    expect(status).toBe(201)
    expect(headers.get('content-type')).toContain('application/json')
    expect(body.skipped).toEqual([])
    expect(body.tasks.map((task: { unit: string }) => task.unit)).toEqual(
      Array.from({ length: UNITS }, (_, n) => unitId(n)),
    )
    expect(body.tasks).toEqual(await allTasks(`&package=${packages[0]}`))
    const after = counts()
    for (const [table, perTask] of [
      ['task', 1],
      ['link', 1],
      ['link_task', 1],
      ['command', 1],
      ['audit', 3],
    ] as const) {
      expect(after[table]! - before[table]!, table).toBe(perTask * UNITS)
    }
    const again = await issue({ group: 'fleet', package: packages[0] }, key)
    expect(again.body.tasks.map(({ id }: { id: string }) => id)).toEqual(body.tasks.map(({ id }: { id: string }) => id))
    expect(counts()).toEqual(after)
  })

  it('is superseded as a whole, names that nobody has named as such, units named twice taken once', async () => {
    const names = Array.from({ length: UNITS }, (_, n) => (n % 2 === 0 ? unitId(n) : testImei(n)))
    const { status, body } = await issue({
      units: ['nobody', ...names, unitId(1)],
      package: packages[1],
      method: 'cable',
      supersede: true,
    })
    expect(status).toBe(201)
    expect(body.skipped).toMatchObject([{ unit: 'nobody', code: 'unit-unknown' }])
    expect(body.tasks.length).toBe(UNITS)
    const links = new Set(body.tasks.map((task: { link: { id: string } }) => task.link.id))
    expect(links.size, 'one copy link serves all').toBe(1)
    const old = (await allTasks(`&package=${packages[0]}`)) as unknown as {
      state: string
      supersededBy: string
      link: { state: string }
    }[]
    expect(new Set(old.map(({ state, link }) => `${state} ${link.state}`))).toEqual(new Set(['superseded revoked']))
    expect(new Set(old.map(({ supersededBy }) => supersededBy))).toEqual(
      new Set(body.tasks.map(({ id }: { id: string }) => id)),
    )
  })

  it('is cancelled as a whole with its package, the link first, and the log of it all is intact', async () => {
    expect(
      (await test.call('POST', `/packages/${packages[1]}/withdraw`, { reason: 'it loses its settings' })).status,
    ).toBe(200)
    const tasks = (await allTasks(`&package=${packages[1]}`)) as unknown as { state: string; reason: string }[]
    expect(new Set(tasks.map(({ state, reason }) => `${state} ${reason}`))).toEqual(
      new Set(['cancelled package-withdrawn']),
    )
    const copy = await test.call('GET', '/audit?format=jsonl')
    const result = await verifyExport(exportLines([Buffer.from(copy.body)]))
    expect(result).toMatchObject({ ok: true, complete: true })
    expect(result.entries).toBeGreaterThan(UNITS * 8)
  })
})
