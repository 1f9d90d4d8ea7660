// A filled sheet comes back: what it does to the task, what it leaves in the log, and what it must never do.
import { createHash } from 'node:crypto'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { cli, shellOf } from '../cli/run.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'

const BYTES = Buffer.alloc(50_000, 7)
const SHA256 = createHash('sha256').update(BYTES).digest('hex')
const MINUTE_MS = 60_000
let test: TestApp
let packageId: string
let unitIds: string[]
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId, unitIds } = await prepare(test, { bytes: BYTES, units: 20 }))
})
afterAll(() => test.stop())

let units = 0
/** A unit on 1.0.0 with an open task, half a day old, so that there is room for times on the sheet. */
async function job(method = 'cable') {
  const unit = unitIds[units++]!
  const observedAt = new Date(test.nowMs() - MINUTE_MS).toISOString()
  await test.call('POST', '/check-ins', { unit, version: '1.0.0', observedAt })
  const issued = await test.call('POST', '/tasks', { unit, package: packageId, method })
  const task = issued.body.tasks[0]
  const issuedMs = Date.parse(task.issuedAt)
  test.advance(4 * 60 * MINUTE_MS)
  return {
    unit,
    id: task.id,
    imei: task.imei,
    at: (minute: number) => new Date(issuedMs + minute * MINUTE_MS).toISOString(),
  }
}
const report = (id: string, body: object, key?: string) =>
  test.call('POST', `/tasks/${id}/hand-report`, { by: 'Ada Example', ...body }, key === undefined ? {} : { key })
const entries = async (unit: string) => (await test.call('GET', `/audit?unit=${unit}&limit=1000`)).body.items
const codes = (answer: { body: { findings: { code: string }[] } }) => answer.body.findings.map(({ code }) => code)

describe('a filled sheet', () => {
  it('takes a task from queued to confirmed in one call, each state with its own evidence', async () => {
    const { unit, id, imei, at } = await job()
    const answer = await report(id, {
      startedAt: at(60),
      identityRead: `${imei.slice(0, 6)} ${imei.slice(6)}`,
      digest: SHA256.toUpperCase(),
      before: { version: '1.0.0', observedAt: at(60) },
      after: { version: '2.0.0', observedAt: at(75) },
      again: { version: '2.0.0', observedAt: at(91) },
      supplyVolts: { start: 12.6, underLoad: 12.2 },
      checks: { records: true, timeRight: true },
      note: 'fuse was loose, told Bob Example',
    })
    expect(answer.status).toBe(200)
    expect(answer.body).toMatchObject({ duplicate: false, findings: [] })
    const { task } = answer.body
    expect(task.state).toBe('confirmed')
    expect(
      task.moves.map((move: { state: string; grade: string; implied: boolean }) => [
        move.state,
        move.grade,
        move.implied,
      ]),
    ).toEqual([
      ['queued', 'person', false],
      ['fetched', 'person', true],
      ['verified', 'person', false],
      ['applied', 'reported', false],
      ['confirmed', 'reported', false],
    ])
    const versions = (await test.call('GET', `/units/${unit}/versions`)).body.items
    expect(versions.filter(({ source }: { source: string }) => source === 'bench')).toHaveLength(3)
  })

  it('keeps names in the erasable labels alone', async () => {
    const { unit, id, at } = await job()
    await report(id, { after: { version: '2.0.0', observedAt: at(60) }, note: 'told Bob Example' })
    const reported = (await entries(unit)).find(({ action }: { action: string }) => action === 'task.reported')
    expect(reported.detail).toMatchObject({ outcome: 'done', after: { version: '2.0.0', observedAt: at(60) } })
    expect(reported.labels).toMatchObject({ technician: 'Ada Example', note: 'told Bob Example' })
    for (const entry of await entries(unit)) {
      const { labels: _labels, ...hashed } = entry
      expect(JSON.stringify(hashed)).not.toMatch(/Example/)
    }
    const shown = [await test.call('GET', `/tasks/${id}`), await test.call('GET', `/units/${unit}/versions`)]
    for (const { body } of shown) expect(JSON.stringify(body)).not.toMatch(/Example/)
  })

  it('does nothing the second time, under whatever name it is typed in; another one is another', async () => {
    const { unit, id, at } = await job()
    const sheet = { startedAt: at(60), digest: 'ab'.repeat(32), outcome: 'again' }
    const first = await report(id, sheet)
    expect(codes(first)).toEqual(['digest-differs'])
    const before = (await entries(unit)).length
    const second = await report(id, { ...sheet, by: 'Bob Example' })
    expect(second.body).toMatchObject({ duplicate: true, report: first.body.report, findings: first.body.findings })
    expect(await entries(unit)).toHaveLength(before)
    expect(second.body.task).toMatchObject({ state: 'queued', flags: ['digest-mismatch'] })
    // Rule 10: the second bad copy ends the task. Typed in twice it was one.
    const third = await report(id, { ...sheet, startedAt: at(90) })
    expect(third.body.task).toMatchObject({ state: 'failed', reason: 'damaged' })
  })

  it('is refused whole where a part of it cannot be: nothing of it is recorded', async () => {
    const { unit, id, at } = await job()
    const before = (await entries(unit)).length
    const good = { after: { version: '2.0.0', observedAt: at(60) } }
    const wrong: [object, string][] = [
      [{ ...good, identityRead: '009977990000999' }, 'state-refused'],
      [{ ...good, startedAt: new Date(test.nowMs() + 10 * MINUTE_MS).toISOString() }, 'request-invalid'],
      [{ ...good, before: { version: '1.0.0', observedAt: at(60) } }, 'request-invalid'],
      [{ ...good, startedAt: at(61) }, 'request-invalid'],
      [{ after: { version: '2.0.0', observedAt: '1970-01-01T08:00:00Z' } }, 'request-invalid'],
      [{ ...good, before: { version: ' ', observedAt: at(50) } }, 'request-invalid'],
      [{ ...good, digest: 'abc' }, 'request-invalid'],
      [{ ...good, supplyVolts: { start: 126 } }, 'request-invalid'],
      [{ after: { version: '2.0.0' } }, 'request-invalid'],
      [{ ...good, outcome: 'applied' }, 'request-invalid'],
      [{ ...good, by: '' }, 'request-invalid'],
    ]
    for (const [body, code] of wrong) expect((await report(id, body)).body.code, JSON.stringify(body)).toBe(code)
    for (const role of ['auditor', 'check-in'] as const)
      expect((await report(id, good, test.keys[role])).status).toBe(403)
    expect((await report('t_none', good)).body.code).toBe('task-not-found')
    expect(await entries(unit)).toHaveLength(before)
    expect((await test.call('GET', `/tasks/${id}`)).body.state).toBe('queued')
  })

  it('never applies by word: done without a version read is a claim, and said to be one', async () => {
    const { id } = await job()
    const answer = await report(id, { outcome: 'done', digest: SHA256 })
    expect(codes(answer)).toEqual(['not-read'])
    expect(answer.body.task.state).toBe('verified')
  })

  it.each(['no-life', 'wrong-variant', 'other'])('with the outcome %s closes the task as failed', async (outcome) => {
    const { id } = await job('card')
    const answer = await report(id, { outcome })
    expect(answer.body.task).toMatchObject({ state: 'failed', reason: outcome })
    expect(answer.body.task.moves.at(-1).grade).toBe('person')
  })

  it('of a task that is closed is kept, and moves nothing', async () => {
    const { unit, id, at } = await job()
    await test.call('POST', `/tasks/${id}/cancel`, { reason: 'called off' })
    const answer = await report(id, { after: { version: '2.0.0', observedAt: at(60) } })
    expect(codes(answer)).toEqual(['task-closed'])
    expect(answer.body.task.state).toBe('cancelled')
    expect((await entries(unit)).map(({ action }: { action: string }) => action)).toContain('task.reported')
  })

  it('names what looks wrong on it', async () => {
    const { id, at } = await job()
    const answer = await report(id, { after: { version: '1.0.0', observedAt: at(60) } })
    expect(codes(answer)).toEqual(['version-differs'])
    expect(codes(await report(id, { after: { version: '2.0.0', observedAt: at(-30) } }))).toEqual(['before-issue'])
    expect((await test.call('GET', `/tasks/${id}`)).body.state).toBe('queued')
  })

  it('is typed in by the command line: exit 0 where it is right, 1 where it is not', async () => {
    const fh = (...args: string[]) => cli(args, shellOf(test))
    const one = await job()
    const args = ['--by', 'Ada Example', '--volts', '12.6', '--volts-load', '12.1', '--checks', 'records,platformSees']
    const groups = SHA256.match(/.{4}/g)!.join(' ')
    const done = await fh(
      ...['task', 'report', one.id, ...args, '--digest', groups, '--started-at', one.at(60)],
      ...['--before', '1.0.0', '--version', '2.0.0', '--at', one.at(70), '--again', '2.0.0', '--again-at', one.at(90)],
    )
    expect(done).toMatchObject({ exit: 0, err: '' })
    expect(done.out).toMatch(/sheet recorded as h_\w+\ntask +t_\w+ +confirmed/)
    const two = await job()
    const bad = await fh('task', 'report', two.id, ...args, '--version', '1.0.0', '--at', two.at(70))
    expect(bad.exit).toBe(1)
    expect(bad.err).toContain('note: The unit shows 1.0.0, not 2.0.0')
  })
})

describe('a digest with a person’s word', () => {
  const attest = (id: string, digest: string, state = 'verified') =>
    test.call('POST', `/tasks/${id}/attest`, { state, digest, note: 'computed at the bench' })

  it('that is the package’s verifies, by any of the four algorithms', async () => {
    const { id } = await job()
    const md5 = createHash('md5').update(BYTES).digest('hex')
    expect((await attest(id, md5)).body).toMatchObject({ state: 'verified', flags: [] })
  })

  it('that is another one is a damaged copy: flagged once, final the second time', async () => {
    const { id } = await job()
    const first = (await attest(id, 'ab'.repeat(32))).body
    expect(first).toMatchObject({ state: 'queued', flags: ['digest-mismatch'], standing: { grade: 'late' } })
    expect(first.standing.next).toContain('fetch the file again')
    test.advance(MINUTE_MS)
    expect((await attest(id, 'ab'.repeat(32))).body).toMatchObject({ state: 'failed', reason: 'damaged' })
  })

  it('goes with verified alone, and the command line tells a wrong one by its exit code', async () => {
    const { id } = await job()
    expect((await attest(id, SHA256, 'fetched')).body.code).toBe('request-invalid')
    expect((await attest(id, 'xyz')).body.code).toBe('request-invalid')
    const word = ['task', 'attest', id, '--state', 'verified', '--note', 'at the bench', '--digest']
    expect((await cli([...word, 'ab'.repeat(32)], shellOf(test))).exit).toBe(1)
    test.advance(MINUTE_MS)
    expect((await cli([...word, SHA256], shellOf(test))).exit).toBe(0)
  })
})

describe('a task by hand', () => {
  it('is failed by nothing that the unit reports from the road, while the file lies with the technician', async () => {
    const { unit, id, at } = await job('card')
    await test.call('POST', `/tasks/${id}/attest`, { state: 'fetched', note: 'copied in the office' })
    test.advance(4 * 60 * MINUTE_MS)
    const minutes = [240, 300, 360, 420]
    const road = minutes.map((minute) => ({ unit, version: '1.0.0', observedAt: at(minute) }))
    await test.call('POST', '/check-ins', [...road, { unit, version: '1.0.1', observedAt: at(430) }])
    expect((await test.call('GET', `/tasks/${id}`)).body).toMatchObject({ state: 'fetched', fromVersion: '1.0.1' })
    // Once checked at the bench: two reads of the old version, both later than the install time, are a failure.
    await report(id, {
      startedAt: at(432),
      digest: SHA256,
      after: { version: '1.0.1', observedAt: at(470) },
      outcome: 'again',
    })
    expect((await test.call('GET', `/tasks/${id}`)).body.state).toBe('verified')
    const last = await report(id, { after: { version: '1.0.1', observedAt: at(481) }, outcome: 'again' })
    expect(last.body.task).toMatchObject({ state: 'failed', reason: 'not-applied' })
  })
})
