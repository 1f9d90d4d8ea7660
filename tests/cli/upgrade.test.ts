// One upgrade by the command line alone, against the true server.
import { randomBytes } from 'node:crypto'
import { readFileSync, writeFileSync } from 'node:fs'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp, testImei, testProfile, until } from '../support/app.js'
import { cli, type Said, shellOf } from './run.js'

let test: TestApp
let fh: (...args: string[]) => Promise<Said>
beforeAll(async () => {
  test = await startTestApp()
  fh = (...args) => cli(args, shellOf(test))
})
afterAll(() => test.stop())

const MINUTE_MS = 60_000
const IMEI = testImei(1)
const now = () => new Date(test.nowMs()).toISOString()
const inFolder = (name: string) => path.join(test.folder, name)

/** Model, unit and released package, by the command line. Returns the package's id. */
async function ready(given: { version: string; unit: string }): Promise<string> {
  writeFileSync(inFolder('sill-cam.json'), JSON.stringify(testProfile()))
  writeFileSync(inFolder('sill.bin'), randomBytes(300_000))
  expect(await fh('model', 'add', inFolder('sill-cam.json'))).toMatchObject({ exit: 0, out: 'model sill-cam saved\n' })
  const added = await fh(
    'package',
    'add',
    inFolder('sill.bin'),
    '--model',
    'sill-cam',
    '--version',
    given.version,
    '--json',
  )
  expect(added.exit).toBe(0)
  const { id, state } = added.json()
  expect(state).toBe('draft')
  expect((await fh('package', 'release', id)).exit).toBe(0)
  expect((await fh('unit', 'set', given.unit, '--model', 'sill-cam', '--groups', 'first, second')).exit).toBe(0)
  return id
}

describe('an upgrade by the command line', () => {
  it('goes from a file to confirmed, and the log of it verifies offline', async () => {
    const pack = await ready({ version: '2.0.0', unit: IMEI })
    expect((await fh('unit', 'show', IMEI, '--json')).json()).toMatchObject({ imei: IMEI, groups: ['first', 'second'] })
    expect((await fh('unit', 'list', '--group', 'second')).out).toContain(IMEI)
    expect((await fh('unit', 'list', '--group', 'third', '--json')).json()).toEqual([])
    expect(await fh('checkin', 'add', IMEI, '--version', '1.0.0', '--observed-at', now())).toMatchObject({ exit: 0 })

    test.advance(MINUTE_MS)
    const issued = await fh('task', 'issue', '--unit', IMEI, '--package', pack, '--json')
    expect(issued.exit).toBe(0)
    const task = issued.json().tasks[0].id
    const command = await fh('command', 'show', task)
    expect(command.out).toMatch(/^sill gets http:\S+\/sill\.bin\n$/) // The text alone, so that a script can send it.
    expect(command.err).toContain('caution: During installation the unit does not record')
    expect((await fh('command', 'sent', task)).exit).toBe(0)
    expect((await fh('command', 'show', task, '--json')).json().text).toBe(command.out.trimEnd())

    const got = Buffer.from(await (await fetch(command.out.trim().split(' ')[2]!)).arrayBuffer())
    expect(got.equals(readFileSync(inFolder('sill.bin')))).toBe(true)
    await until(
      () => fh('task', 'show', task, '--json'),
      (shown) => shown.json().state === 'fetched',
    )

    // Nothing is confirmed yet: a watch goes on until the second report, and says so by its exit code.
    const watching = fh('task', 'watch', task)
    test.advance(10 * MINUTE_MS)
    const report = () => fh('checkin', 'add', IMEI, '--version', '2.0.0', '--observed-at', now(), '--source', 'bench')
    expect((await report()).out).toContain(`task ${task} is applied`)
    test.advance(15 * MINUTE_MS)
    expect((await report()).out).toContain(`task ${task} is confirmed`)
    expect(await watching).toMatchObject({ exit: 0, err: '' }) // Quiet when piped.
    expect((await fh('task', 'list', '--state', 'confirmed')).out).toContain(task)
    expect((await fh('task', 'show', task)).out).toMatch(/fetched +acknowledged: ledger/)

    const copy = await fh('audit', 'export')
    writeFileSync(inFolder('log.jsonl'), copy.out)
    const head = (await fh('audit', 'head')).out.trim()
    const verify = (...args: string[]) => cli(['audit', 'verify', inFolder('log.jsonl'), ...args])
    expect(await verify()).toMatchObject({ exit: 0, out: expect.stringMatching(/^intact: .*\ncomplete/) })
    expect(await verify('--head', head)).toMatchObject({ exit: 0 })
    expect((await verify('--json')).json()).toMatchObject({ ok: true, complete: true, fault: null })

    // One byte changed, the tail cut, the tail cut and closed again: the last one only a head kept elsewhere shows.
    const lines = copy.out.trimEnd().split('\n')
    writeFileSync(inFolder('log.jsonl'), copy.out.replace('1.0.0', '1.0.1'))
    expect((await verify('--json')).json()).toMatchObject({ ok: false, fault: { kind: 'changed' } })
    expect(await verify()).toMatchObject({
      exit: 1,
      out: expect.stringMatching(/^NOT intact, line \d+, entry \d+: changed/),
    })
    writeFileSync(inFolder('log.jsonl'), `${lines.slice(0, -3).join('\n')}\n`)
    expect((await verify('--json')).json()).toMatchObject({ ok: false, fault: { kind: 'cut' } })
    const kept = JSON.parse(lines.at(-4)!)
    const end = { ...JSON.parse(lines.at(-1)!), entries: lines.length - 4, lastSeq: kept.seq, lastHash: kept.hash }
    writeFileSync(inFolder('log.jsonl'), `${[...lines.slice(0, -3), JSON.stringify(end)].join('\n')}\n`)
    expect(await verify()).toMatchObject({ exit: 0 })
    expect((await verify('--head', head, '--json')).json()).toMatchObject({ ok: false, fault: { kind: 'cut' } })
    expect(await verify('--head', head)).toMatchObject({ exit: 1 })
  })

  it('exits 1 where units were skipped, unless that is allowed, and issues nothing when all are', async () => {
    const unit = testImei(2)
    const pack = await ready({ version: '3.0.0', unit })
    const missing = testImei(3)
    const issue = (...args: string[]) => fh('task', 'issue', '--package', pack, ...args)
    const some = await issue('--unit', unit, missing, '--json')
    expect(some.exit).toBe(1)
    expect(some.json()).toMatchObject({ tasks: [{ imei: unit }], skipped: [{ code: 'unit-unknown' }] })
    const all = await issue('--unit', unit, missing, '--json')
    expect(all.exit).toBe(1)
    expect(all.json().error).toMatchObject({ code: 'nothing-issued', status: 409 })
    expect((await issue('--unit', unit)).err).toContain(
      `skipped ${(await fh('unit', 'show', unit, '--json')).json().id}: `,
    )
    expect(await issue('--unit', unit, missing, '--supersede', '--allow-skips')).toMatchObject({ exit: 0 })
    expect(await issue('--group', 'first', '--supersede', '--allow-skips')).toMatchObject({ exit: 0 })

    const open = (await fh('task', 'list', '--unit', unit, '--json')).json()
    expect(open.map((task: { state: string }) => task.state)).toEqual(['superseded', 'superseded', 'queued'])
    const id = open.at(-1).id
    expect(await fh('task', 'attest', id, '--state', 'fetched', '--note', 'seen at the bench')).toMatchObject({
      exit: 0,
    })
    expect((await fh('task', 'cancel', id, '--reason', 'sold', '--json')).json().error.code).toBe(
      'acknowledgement-needed',
    )
    const cancelled = await fh('task', 'cancel', id, '--reason', 'sold', '--acknowledge', 'may-be-installing')
    expect(cancelled).toMatchObject({ exit: 0, out: expect.stringContaining('cancelled (sold)') })
    expect(await fh('task', 'watch', id)).toMatchObject({ exit: 1 }) // Closed, and not confirmed.
    expect((await fh('package', 'withdraw', pack, '--reason', 'recalled', '--json')).json().state).toBe('withdrawn')
  })

  it('shows no command for a task that is done by hand', async () => {
    const pack = await ready({ version: '4.0.0', unit: testImei(4) })
    const issued = await fh('task', 'issue', '--unit', testImei(4), '--package', pack, '--method', 'cable', '--json')
    const shown = await fh('command', 'show', issued.json().tasks[0].id, '--json')
    expect(shown.exit).toBe(1)
    expect(shown.json().error.code).toBe('no-command')
  })
})

describe('keys by the command line', () => {
  it('are made with a role and work until they are revoked', async () => {
    const made = await fh('key', 'add', '--name', 'night shift', '--role', 'operator', '--json')
    const { id, secret } = made.json()
    const asOperator = (...args: string[]) => cli(args, shellOf(test, secret))
    expect(await asOperator('unit', 'list')).toMatchObject({ exit: 0 })
    expect((await asOperator('key', 'add', '--name', 'more', '--role', 'operator', '--json')).json().error.code).toBe(
      'role-insufficient',
    )
    expect((await fh('key', 'list')).out).toMatch(/operator +night shift +live/)
    expect((await fh('key', 'list')).out).not.toContain(secret)
    expect((await fh('key', 'revoke', id, '--json')).json()).toEqual({ revoked: id })
    const after = await asOperator('unit', 'list', '--json')
    expect(after.json().error).toMatchObject({ code: 'key-missing', detail: expect.stringContaining('FIRMHAND_KEY') })
  })
})
