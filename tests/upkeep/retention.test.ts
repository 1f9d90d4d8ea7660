// What is erased after a time, what never is, and that neither the chain of the log nor the state of a task changes by it.
import { createHash } from 'node:crypto'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { derive } from '../../src/tasks/derive.js'
import { gatherFacts } from '../../src/tasks/facts.store.js'
import { findTask } from '../../src/tasks/task.store.js'
import { NEWEST_KEPT, type RetentionService, retentionService } from '../../src/upkeep/retention.service.js'
import { cli, shellOf } from '../cli/run.js'
import { prepare, startTestApp, type TestApp, testImei } from '../support/app.js'
import { news, openRecord, type Record, tryOf, whole } from '../tasks/record.js'

const DAY_MINUTES = 24 * 60
let record: Record
beforeAll(async () => {
  record = await openRecord()
})
afterAll(() => record.close())

/** Slice after slice until there is nothing more to do. */
async function pass(service: RetentionService): Promise<number> {
  let slices = 1
  while (await record.run((work) => service.slice(work))) {
    slices += 1
    if (slices > 100) throw new Error('it does not end')
  }
  return slices
}
const count = (table: 'fetch_try' | 'checkin', unit?: string) =>
  record.run(async ({ db }) => {
    const rows =
      table === 'checkin'
        ? await db.selectFrom('checkin').select('unit_id').execute()
        : await db.selectFrom('fetch_try').innerJoin('link', 'link.id', 'link_id').select('unit_id').execute()
    return rows.filter((row) => unit === undefined || row.unit_id === unit).length
  })
const entriesOf = (action: string) =>
  record.run(async ({ db }) =>
    (await db.selectFrom('audit').select(['body', 'labels']).where('action', '=', action).execute()).map((row) => ({
      ...(JSON.parse(row.body) as { detail: { [name: string]: unknown } }),
      labels: row.labels,
    })),
  )
const keep = (days: Partial<Parameters<typeof retentionService>[0]>) =>
  retentionService({ triesDays: 0, checkinsDays: 0, labelsDays: 0, ...days })

/** A task that went all the way, with tries on its link; closed a little after minute 60. */
async function confirmed() {
  const made = await record.issued({ from: '1.0.0' })
  const link = made.task.linkId!
  record.clock(2)
  await record.bytes({ ...whole(link, 2), tries: [tryOf({ end: 'reset' }), tryOf({ end: 'complete' })] })
  record.clock(40)
  await record.report(made.unit, { version: made.target, observed: 40 })
  record.clock(60)
  await record.report(made.unit, { version: made.target, observed: 60 })
  expect(await record.task(made.task.id)).toMatchObject({ state: 'confirmed' })
  return made
}

describe('single tries', () => {
  it('of closed tasks go after their days, those of open ones stay, and no claim changes', async () => {
    const done = await confirmed()
    const open = await record.issued()
    await record.bytes(news(open.task.linkId!, 3, { sent: [[0, 9]], tries: [tryOf({ end: 'reset' })] }))
    const before = await record.ledger(done.task.linkId!)

    record.clock(9 * DAY_MINUTES)
    await pass(keep({ triesDays: 10 }))
    expect(await count('fetch_try', done.unit)).toBe(2)
    record.clock(11 * DAY_MINUTES)
    await pass(keep({ triesDays: 0, checkinsDays: 3000 }))
    expect(await count('fetch_try', done.unit)).toBe(2)
    await pass(keep({ triesDays: 10 }))
    expect(await count('fetch_try', done.unit)).toBe(0)
    expect(await count('fetch_try', open.unit)).toBe(1)
    expect(await record.ledger(done.task.linkId!)).toEqual(before)
    const [entry, ...more] = await entriesOf('retention.erased')
    expect(more).toEqual([])
    expect(entry!.detail).toMatchObject({ tries: 2, checkins: 0, labels: 0 })
  })
})

describe('version reports', () => {
  it('of units without an open task go, but for the newest ones; the closed task stays as it was', async () => {
    const done = await confirmed()
    const open = await record.issued({ from: '1.0.0' })
    for (let n = 0; n < NEWEST_KEPT + 5; n += 1) {
      record.clock(100 + n)
      await record.report(done.unit, { version: '7.0.0', observed: 100 + n })
      await record.report(open.unit, { version: '1.0.0', observed: 100 + n })
    }
    const task = await record.task(done.task.id)
    const [mine, theirs] = [await count('checkin', done.unit), await count('checkin', open.unit)]
    record.clock(50 * DAY_MINUTES)
    await pass(keep({ checkinsDays: 40 }))
    // The open unit's task was closed by no clock here: the record of tests has none.
    expect(await count('checkin', open.unit)).toBe(theirs)
    expect(mine).toBeGreaterThan(NEWEST_KEPT)
    expect(await count('checkin', done.unit)).toBe(NEWEST_KEPT)
    const after = await record.task(done.task.id)
    expect(after).toEqual(task)
    // The next task knows what the unit ran before it.
    const pack = await record.pack('sill-cam', record.nextVersion())
    const next = await record.issue(done.unit, pack)
    expect(next.fromVersion).toBe('7.0.0')
    const found = await record.run(async (work) => {
      const stored = (await findTask(work.db, next.id))!
      const facts = (await gatherFacts(work.db, [stored])).get(next.id)!.facts
      return derive(stored.terms, facts, work.nowMs)
    })
    expect(found.fromVersion).toBe('7.0.0')
    // And nothing more goes by a second pass.
    await pass(keep({ checkinsDays: 40 }))
    expect(await count('checkin', done.unit)).toBe(NEWEST_KEPT)
  })
})

describe('slices', () => {
  it('look at a bounded number of rows each, and are logged once, in sum', async () => {
    const { unit } = await record.issued()
    await record.run(async ({ db }) => {
      for (let n = 0; n < 25; n += 1)
        await db
          .insertInto('checkin')
          .values(
            Array.from({ length: 100 }, (_, i) => ({
              id: `c_0old_${String(n * 100 + i).padStart(6, '0')}`,
              unit_id: unit,
              source: 'operator',
              external_id: null,
              version: '1.0.0',
              raw_version: '1.0.0',
              stated_at_ms: null,
              observed_at_ms: n * 100 + i,
              received_at_ms: n * 100 + i,
              timing: 'receipt',
              answers_query_sent_at_ms: null,
              digest: null,
              note: null,
              key_id: null,
            })),
          )
          .execute()
    })
    record.clock(200 * DAY_MINUTES)
    await record.due() // Its deadline closes the task.
    const before = (await entriesOf('retention.erased')).length
    expect(await pass(keep({ checkinsDays: 40 }))).toBeGreaterThan(2)
    const entries = await entriesOf('retention.erased')
    expect(entries).toHaveLength(before + 1)
    expect(Number(entries.at(-1)!.detail.checkins)).toBeGreaterThanOrEqual(2500 - NEWEST_KEPT)
    expect(await count('checkin', unit)).toBe(NEWEST_KEPT)
  })
})

describe('personal data in the log', () => {
  it('goes after its days, and the hash of each entry still stands', async () => {
    record.clock(300 * DAY_MINUTES)
    const young = await record.unit('sill-cam')
    const before = await record.run(({ db }) => db.selectFrom('audit').selectAll().orderBy('seq').execute())
    await pass(keep({ labelsDays: 90 }))
    const after = await record.run(({ db }) => db.selectFrom('audit').selectAll().orderBy('seq').execute())
    expect(before.filter((row) => row.labels !== null).length).toBeGreaterThan(20)
    for (const [index, row] of before.entries()) {
      const { labels, ...rest } = after[index]!
      const { labels: had, ...was } = row
      expect(rest).toEqual(was)
      expect(createHash('sha256').update(rest.body).digest('hex')).toBe(rest.hash)
      expect(labels).toBe(row.unit_id === young ? had : null)
    }
    expect((await entriesOf('retention.erased')).at(-1)!.detail).toMatchObject({ keep: { labelsDays: 90 } })
  })
})

describe('on a running server', () => {
  let test: TestApp
  beforeAll(async () => {
    test = await startTestApp()
    await prepare(test, { bytes: Buffer.from('firmware'), units: 2 })
    await test.call('PATCH', `/units/${testImei(1)}`, { phone: '+441632960001' })
  })
  afterAll(() => test.stop())
  const copy = async () => (await test.call('GET', '/audit?format=jsonl')).body as string
  const verify = async () => verifyExport(exportLines([Buffer.from(await copy())]))

  it('the labels of one unit are erased at a word, by an integrator, and the log verifies', async () => {
    const { seq, hash } = (await test.call('GET', '/audit/head')).body
    expect(await copy()).toContain('+441632960001')
    const refused = await test.call('POST', '/labels/erase', { unit: testImei(1) }, { key: test.keys.operator })
    expect(refused.status).toBe(403)
    expect((await test.call('POST', '/labels/erase', { unit: 'nobody' })).body.code).toBe('unit-not-found')
    const said = await cli(['labels', 'erase', testImei(1), '--json'], shellOf(test))
    expect(said).toMatchObject({ exit: 0 })
    expect(said.json().entries).toBe(2)

    const text = await copy()
    expect(text).not.toContain('+441632960001')
    expect(text).not.toContain(testImei(1))
    expect(text).toContain(testImei(2)) // Of another unit nothing is lost.
    // The head from before still stands in it.
    const lines = exportLines([Buffer.from(text)])
    expect(await verifyExport(lines, { seq, hash })).toMatchObject({ ok: true, complete: true })
    const [entry] = (await test.call('GET', '/audit?action=labels.erased')).body.items
    expect(entry).toMatchObject({ unit: said.json().unit, detail: { entries: 2 } })
  })

  it('what the settings say goes by itself, and without them nothing does', async () => {
    test.advance(40 * 24 * 60 * 60 * 1000)
    await test.restart()
    await new Promise((resolve) => setTimeout(resolve, 1500))
    expect(await copy()).toContain(testImei(2))
    await test.restart({ FIRMHAND_KEEP_LABELS_DAYS: '30' })
    const gone = async () => !(await copy()).includes(testImei(2))
    for (let n = 0; n < 50 && !(await gone()); n += 1) await new Promise((resolve) => setTimeout(resolve, 200))
    expect(await gone()).toBe(true)
    expect(await verify()).toMatchObject({ ok: true, complete: true })
  })
})
