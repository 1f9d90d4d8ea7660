// Lists on the command line: of units in both directions, of version reports in one.
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { judgeCheckinRow } from '../../src/checkins/checkin-csv.js'
import { startTestApp, type TestApp, testImei, testProfile } from '../support/app.js'
import { cli, shellOf } from './run.js'

let test: TestApp
let folder: string
beforeAll(async () => {
  test = await startTestApp()
  folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-lists-'))
  await test.call('PUT', '/models/sill-cam', testProfile())
})
afterAll(async () => {
  await test.stop()
  rmSync(folder, { recursive: true, force: true })
})
const file = (name: string, text: string): string => {
  writeFileSync(path.join(folder, name), text)
  return path.join(folder, name)
}

describe('unit import and unit export', () => {
  it('take a list, name what was refused with exit code 1, and give the list back', async () => {
    const good = file('good.csv', `imei;model\r\n${testImei(1)};sill-cam\r\n${testImei(2)};sill-cam\r\n`)
    const check = await cli(['unit', 'import', good, '--check', '--json'], shellOf(test))
    expect(check.json()).toMatchObject({ read: 2, created: 2, stored: false })
    const said = await cli(['unit', 'import', good], shellOf(test), { isTerminal: true })
    expect(said).toMatchObject({ exit: 0, out: '2 rows: 2 new, 0 changed, 0 unchanged\n' })
    expect(said.err).toContain('sending')

    const mixed = file(
      'mixed.csv',
      `imei;model;phone\n${testImei(3)};sill-cam;01632 960961\n${testImei(4)};sill-cam;\n`,
    )
    const refused = await cli(['unit', 'import', mixed], shellOf(test))
    expect(refused).toMatchObject({ exit: 1, out: '' })
    expect(refused.err).toContain('refused line 2, phone "01632 960961"')
    expect(refused.err).toContain('1 of 2 rows cannot be taken; nothing was stored')
    const problem = await cli(['unit', 'import', mixed, '--json'], shellOf(test))
    expect(problem.exit).toBe(1)
    expect(problem.json().error).toMatchObject({ code: 'list-refused', rejected: [{ line: 2, column: 'phone' }] })
    const partial = await cli(['unit', 'import', mixed, '--partial'], shellOf(test))
    expect(partial).toMatchObject({ exit: 1 })
    expect(partial.out).toContain('2 rows: 1 new, 0 changed, 0 unchanged, 1 refused')
    expect((await cli(['unit', 'import', mixed, '--region', 'GB'], shellOf(test))).exit).toBe(0)

    const out = path.join(folder, 'out.csv')
    expect((await cli(['unit', 'export', out, '--json'], shellOf(test))).json()).toEqual({ file: out })
    const printed = await cli(['unit', 'export'], shellOf(test))
    expect(printed.out).toBe(readFileSync(out, 'utf8'))
    const again = await cli(['unit', 'import', out, '--json'], shellOf(test))
    expect(again.json()).toMatchObject({ read: 4, unchanged: 4 })
    expect((await cli(['unit', 'export', '--json'], shellOf(test))).exit).toBe(2)
    expect((await cli(['unit', 'import', path.join(folder, 'none.csv')], shellOf(test))).exit).toBe(1)
  })
})

describe('checkin import', () => {
  it('records the reports and names each line that it cannot', async () => {
    const text = [
      'IMEI\tFirmware\tTimestamp\tremarks',
      `${testImei(1)}\t1.4.0\t2026-05-01T12:00:00Z\t`,
      `'${testImei(2)}\t1.4.0\t2026-05-01 14:00+0200\t"two`,
      'lines"',
      `${testImei(1)}\t1.4.0\t2026-05-01T12:00:00Z\t`,
      `${testImei(1)}\t1.4.0\t01/05/2026 12:00\t`,
      `${testImei(1)}\t1.4.0\t2026-05-01 12:00\t`,
      `${testImei(1)}\t1.4.0\t45678.5\t`,
      '9.9E+14\t1.4.0\t\t',
      `${testImei(99)}\t1.4.0\t\t`,
      `${testImei(1)}\t\t\t`,
    ].join('\r\n')
    const said = await cli(['checkin', 'import', file('reports.csv', text), '--json'], shellOf(test))
    expect(said.exit).toBe(1)
    const report = said.json()
    expect(report).toMatchObject({ read: 9, accepted: 3, duplicates: 1, rejectedRows: 6 })
    expect(report.rejected.map((row: { line: number; code: string }) => [row.line, row.code]).sort()).toEqual(
      [
        [6, 'time-ambiguous'],
        [7, 'time-without-zone'],
        [8, 'time-day-number'],
        [9, 'unit-exponent'],
        [10, 'unit-unknown'],
        [11, 'version-missing'],
      ].sort(),
    )
    const unit = (await test.call('GET', `/units/${testImei(2)}`)).body
    expect(unit).toMatchObject({ version: '1.4.0', versionObservedAt: '2026-05-01T12:00:00.000Z' })
  })

  it('refuses a file without the columns that it needs, and sends nothing', async () => {
    const said = await cli(['checkin', 'import', file('none.csv', 'unit,colour\na,b\n')], shellOf(test))
    expect(said).toMatchObject({ exit: 1, out: '' })
    expect(said.err).toContain('version')
    expect((await cli(['checkin', 'import', file('empty.csv', '')], shellOf(test))).exit).toBe(1)
  })

  // RFC 3339 §5.6; the last ones are what spreadsheets show (common practice, no source).
  it.each([
    ['2026-05-01T12:00:00Z', '2026-05-01T12:00:00Z'],
    ['2026-05-01 12:00:00.5 +02:00', '2026-05-01T12:00:00.5+02:00'],
    ['2026-05-01 12:00 UTC', '2026-05-01T12:00:00Z'],
    ['2026-05-01', null],
    ['5/1/2026 12:00', null],
    ['1.5.2026', null],
    ['46143.5', null],
    ['yesterday', null],
  ])('time %s', (text, expected) => {
    const judged = judgeCheckinRow({ line: 2, cells: ['x', '1', text] }, ['unit', 'version', 'observedAt'])
    expect('item' in judged ? judged.item.observedAt : null).toBe(expected)
  })
})
