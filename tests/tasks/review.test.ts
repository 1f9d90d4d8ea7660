// Histories through the real services, each made to break one sentence of the domain about states and times (rules 1 to 8).
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { at } from './histories.js'
import { openRecord, PERSON, type Record, whole } from './record.js'

let record: Record
beforeAll(async () => {
  record = await openRecord()
})
afterAll(() => record.close())

describe('rule 1: later facts', () => {
  it('notes as seen afterwards only what came after the close, not what the close had looked at', async () => {
    const { unit, task, target } = await record.issued({ from: '1.0.0' })
    record.clock(40)
    await record.report(unit, { version: target, observed: 40 })
    // Received at 56, observed at 50: looked at, too early to confirm.
    record.clock(56)
    await record.report(unit, { version: target, observed: 50 })
    // Comes late, was observed at 55: confirms at 55, before the one above was received.
    record.clock(90)
    await record.report(unit, { version: target, observed: 55 })
    expect((await record.task(task.id)).state).toBe('confirmed')
    record.clock(100)
    await record.report(unit, { version: target, observed: 100 })
    const { afterwards } = await record.task(task.id)
    expect(afterwards).toEqual([{ observedAtMs: at(100), version: target, meaning: 'target-again' }])
  })

  it('shows on an older task what its unit reports of that task’s time, though a newer task stands', async () => {
    const { unit, task, target } = await record.issued({ from: '1.0.0' })
    record.clock(60)
    const next = await record.issue(unit, await record.pack('sill-cam', record.nextVersion()), { supersede: true })
    record.clock(70)
    await record.report(unit, { version: target, observed: 50 })
    expect((await record.task(task.id)).afterwards).toEqual([
      { observedAtMs: at(50), version: target, meaning: 'target-seen-later' },
    ])
    expect((await record.task(next.id)).fromVersion).toBe(target)
    // One observed in the newer task's time is that task's alone.
    record.clock(80)
    await record.report(unit, { version: target, observed: 75 })
    expect((await record.task(task.id)).afterwards).toHaveLength(1)
  })

  it('takes a report that was received before the issue for one from before it, whatever the unit’s clock says', async () => {
    const target = record.nextVersion()
    record.clock(-1)
    const pack = await record.pack('sill-cam', target)
    const unit = await record.unit('sill-cam')
    await record.report(unit, { version: target, observed: 2 }) // Three minutes ahead.
    record.clock(0)
    const task = await record.issue(unit, pack, { force: true })
    expect(task).toMatchObject({ state: 'queued', fromVersion: target })
    record.clock(1)
    await record.run((work) => record.services.tasks.dispatch(work, PERSON, task.id, 'hand'))
    expect(await record.task(task.id)).toMatchObject({ state: 'queued', fromVersion: target })
  })

  it('lets a person’s word follow the report that it is about, though the unit’s clock runs ahead', async () => {
    const first = await record.issued({ from: '1.0.0' })
    record.clock(40)
    await record.report(first.unit, { version: first.target, observed: 44 })
    record.clock(41)
    await record.attest(first.task.id, 'confirmed')
    expect((await record.task(first.task.id)).state).toBe('confirmed')

    const second = await record.issued({ from: '1.0.0' })
    record.clock(40)
    await record.report(second.unit, { version: second.target, observed: 44 })
    record.clock(41)
    await record.cancel(second.task.id)
    const closed = await record.task(second.task.id)
    expect(closed.moves.map(({ state }) => state)).toEqual(['queued', 'fetched', 'verified', 'applied', 'cancelled'])
  })

  it('logs a state again when a late fact gives it other evidence', async () => {
    const { unit, task, target } = await record.issued({ from: '1.0.0' })
    record.clock(40)
    await record.report(unit, { version: target, observed: 40 })
    record.clock(50)
    await record.report(unit, { version: target, observed: 30 })
    const applied = (await record.log(task.id)).filter((entry) => entry.detail.state === 'applied')
    expect(applied.map(({ detail }) => detail.at)).toEqual([at(40), at(30)].map((ms) => new Date(ms).toISOString()))
  })

  it('holds on to the report that a state rests on, however many come after it', async () => {
    const { unit, task, target } = await record.issued({ from: '1.0.0' })
    record.clock(10)
    await record.report(unit, ...Array.from({ length: 2_000 }, (_, n) => ({ version: '1.0.0', observed: n / 1000 })))
    record.clock(40)
    await record.report(unit, { version: target }) // No time of its own: it can never confirm.
    record.clock(600)
    await record.report(
      unit,
      ...Array.from({ length: 2_100 }, (_, n) => ({ version: target, observed: 41 + n / 1000 })),
    )
    const { moves } = await record.task(task.id)
    expect(moves.find(({ state }) => state === 'applied')!.atMs).toBe(at(40))
  })
})

describe('rules 3 and 4', () => {
  it('takes the last version that nothing contradicts for the old one', async () => {
    const pack = await record.pack('sill-cam', record.nextVersion())
    const unit = await record.unit('sill-cam')
    record.clock(-60)
    await record.report(unit, { version: '1.0.0', observed: -60 })
    record.clock(-30)
    await record.report(unit, { version: '1.0.0', observed: -30 }, { version: '1.5.0', observed: -30 })
    record.clock(0)
    const task = await record.issue(unit, pack)
    record.clock(1)
    await record.run((work) => record.services.tasks.dispatch(work, PERSON, task.id, 'hand'))
    expect(await record.task(task.id)).toMatchObject({ fromVersion: '1.0.0', flags: ['versions-conflict'] })
  })

  it('says that the unit ran the target before, forced or not', async () => {
    const { unit, task, target } = await record.issued()
    record.clock(10)
    await record.report(unit, { version: target, observed: -5 })
    await record.report(unit, { version: target, observed: 10 })
    expect((await record.task(task.id)).flags).toEqual(['not-by-this-link', 'same-version'])
  })

  it('gives the same state for the same reports in each order of arrival', async () => {
    const reports = [
      { version: '1.0.0', observed: 5 },
      { version: '2.x', observed: 40 },
      { version: '2.x', observed: 47 },
      { version: '1.0.0', observed: 30, source: 'sms' },
    ]
    const results = []
    for (const order of [
      [0, 1, 2, 3],
      [3, 2, 1, 0],
      [2, 0, 3, 1],
      [1, 3, 0, 2],
    ]) {
      const { unit, task, target } = await record.issued({ from: '1.0.0' })
      record.clock(48)
      for (const index of order) {
        const report = reports[index]!
        await record.report(unit, { ...report, version: report.version.replace('2.x', target) })
      }
      const { state, moves, flags } = await record.task(task.id)
      results.push({ state, flags, moves: moves.map((move) => [move.state, move.atMs]) })
    }
    expect(results.slice(1)).toEqual(results.slice(0, 1).flatMap((one) => [one, one, one]))
  })
})

describe('rules 5 to 8', () => {
  it('applies a forced installation of the same version only by a report from after the installation', async () => {
    const { unit, task, target, pack } = await record.issued()
    record.clock(1)
    await record.cancel(task.id)
    await record.report(unit, { version: target, observed: 1 })
    record.clock(10)
    const again = await record.issue(unit, pack, { force: true })
    record.clock(12)
    // Another version from elsewhere does not make the target news.
    await record.report(unit, { version: '1.9.0', observed: 11, source: 'spreadsheet' })
    await record.report(unit, { version: target, observed: 12 })
    await record.bytes(whole(again.linkId!, 20))
    record.clock(50)
    await record.report(unit, { version: target, observed: 50 }) // Fetched at 20, 30 min to install: not later than that.
    expect((await record.task(again.id)).state).toBe('fetched')
    record.clock(51)
    await record.report(unit, { version: target, observed: 51 })
    expect(await record.task(again.id)).toMatchObject({ state: 'applied', flags: ['same-version'] })
  })

  it('warns of an earlier target that the package may not be installed over', async () => {
    const { unit, task, target } = await record.issued({ from: '1.0.0' })
    await record.bytes(whole(task.linkId!, 5))
    record.clock(10)
    const pack = await record.pack('sill-cam', record.nextVersion(), { installsOver: ['1.0.0'] })
    await expect(record.issue(unit, pack, { supersede: true })).rejects.toMatchObject({ code: 'nothing-issued' })
    const next = await record.issue(unit, pack, { supersede: true, mayBeInstalling: true })
    expect(await record.task(task.id)).toMatchObject({ state: 'superseded', supersededBy: next.id })
    record.clock(40)
    await record.report(unit, { version: target, observed: 40 })
    expect(await record.task(next.id)).toMatchObject({
      state: 'queued',
      fromVersion: '1.0.0',
      flags: ['path-not-allowed'],
    })
  })

  it('cancels what is queued when the package is withdrawn; what is fetched stays open and may still end well', async () => {
    const { unit, pack, task, target } = await record.issued({ from: '1.0.0' })
    const other = await record.unit('sill-cam')
    const fetched = await record.issue(other, pack)
    await record.bytes(whole(fetched.linkId!, 5))
    record.clock(10)
    await record.withdraw(pack)
    expect(await record.task(task.id)).toMatchObject({ state: 'cancelled', reason: 'package-withdrawn' })
    for (const id of [task.linkId!, fetched.linkId!]) expect((await record.link(id))!.endReason).toBe('withdrawn')
    record.clock(60)
    await record.report(other, { version: target, observed: 40 }, { version: target, observed: 55 })
    expect(await record.task(fetched.id)).toMatchObject({ state: 'confirmed', flags: ['package-withdrawn'] })
    await record.report(unit, { version: target, observed: 55 })
    expect((await record.task(task.id)).afterwards).toMatchObject([{ meaning: 'target-seen-later' }])
  })

  const WEEK_MINUTES = 7 * 24 * 60
  it('counts at the deadline what was observed by then, and never again what comes after the exit', async () => {
    const { unit, task, target } = await record.issued({ from: '1.0.0' })
    record.clock(WEEK_MINUTES - 1)
    await record.due()
    expect((await record.task(task.id)).state).toBe('queued')
    record.clock(WEEK_MINUTES + 1)
    await record.report(unit, { version: target, observed: WEEK_MINUTES })
    expect(await record.task(task.id)).toMatchObject({ state: 'applied', dueAtMs: null })

    const late = await record.issued({ from: '1.0.0' })
    record.clock(WEEK_MINUTES)
    await record.due()
    expect(await record.task(late.task.id)).toMatchObject({ state: 'lapsed', reason: 'deadline' })
    await record.report(late.unit, { version: late.target, observed: 60 })
    expect(await record.task(late.task.id)).toMatchObject({
      state: 'lapsed',
      afterwards: [{ observedAtMs: at(60), meaning: 'target-seen-later' }],
    })
  })

  it('refuses a person’s word on a task whose deadline has passed, closed by the clock already or not yet', async () => {
    const { task } = await record.issued()
    record.clock(WEEK_MINUTES)
    await expect(record.attest(task.id, 'fetched')).rejects.toMatchObject({ code: 'state-refused' })
    await record.due()
    expect((await record.task(task.id)).state).toBe('lapsed')
    await expect(record.cancel(task.id)).rejects.toMatchObject({ code: 'state-refused' })
  })

  it('leaves an applied task that hears no second report open past the deadline, to be superseded or confirmed', async () => {
    const { unit, pack, task, target } = await record.issued({ from: '1.0.0' })
    record.clock(60)
    await record.report(unit, { version: target, observed: 60 })
    record.clock(2 * WEEK_MINUTES)
    await record.due()
    expect(await record.task(task.id)).toMatchObject({ state: 'applied', dueAtMs: null })
    await expect(record.issue(unit, pack, { supersede: true, force: true })).rejects.toThrow()
    await record.issue(unit, pack, { supersede: true, force: true, mayBeInstalling: true })
    expect((await record.task(task.id)).state).toBe('superseded')
  })
})
