// Cells of a list against the published rules: 3GPP TS 23.003 (IMEI, IMEISV), ITU-T E.118 (ICCID), ITU-T E.164.
import { readFileSync } from 'node:fs'
import path from 'node:path'
import { describe, expect, it } from 'vitest'
import { readUnitCell } from '../../src/units/unit-cells.js'
import { UNIT_COLUMN_NAMES, type UnitColumn } from '../../src/units/unit-columns.js'
import { judgeRow } from '../../src/units/unit-row.js'
import { loadVectors } from '../support/vectors.js'

interface Vector {
  id: string
  kind: string
  text?: string
  imei?: string
  iccid?: string
  body14?: string
  texts?: string[]
  expect: string
  why?: string
  imei_of_same_unit?: string
}
const { vectors } = loadVectors<Vector>('imei')
const context = { models: new Set(['m']), region: null }
const read = (column: UnitColumn, text: string) => readUnitCell(column, text, context)
const valueRead = (column: UnitColumn, text: string): unknown => {
  const result = read(column, text)
  return 'fault' in result ? null : result.value
}
const of = (kind: string, expected: (vector: Vector) => boolean) =>
  vectors.filter((vector) => vector.kind === kind && expected(vector))

describe('the vectors', () => {
  it.each(of('imei', (vector) => vector.expect === 'valid'))('$id is taken', ({ imei }) => {
    expect(read('imei', imei!)).toEqual({ value: imei, cautions: [] })
  })

  // A list takes out what people put between digits, and says so; a single value by the API may not have it.
  const SEPARATED = ['bad-inner-space']
  it.each(of('imei', (vector) => vector.expect !== 'valid' && vector.text !== '' && !SEPARATED.includes(vector.id)))(
    '$id is refused: $why',
    ({ text }) => {
      expect(read('imei', text!)).toHaveProperty('fault')
    },
  )

  it.each(of('imei', ({ id }) => SEPARATED.includes(id)))('$id is repaired, with a caution', ({ text }) => {
    expect(read('imei', text!)).toMatchObject({ cautions: [{ code: 'cell-repaired' }] })
  })

  it.each(of('imeisv', () => true))(
    '$id becomes the IMEI of the unit, and that no check digit vouches is said',
    (vector) => {
      const result = read('imei', vector.text!)
      expect(result).toMatchObject({
        cautions: [{ code: 'imeisv-cut', detail: expect.stringContaining('no check digit') }],
      })
      expect(valueRead('imei', vector.text!)).toBe(vector.imei_of_same_unit ?? '352099001761481')
    },
  )

  it.each(of('iccid', () => true))('$id: $expect', (vector) => {
    const text = vector.iccid ?? vector.text!
    expect(valueRead('iccid', text)).toBe(vector.expect === 'invalid' ? null : text.replace(/F$/, ''))
  })

  it.each(of('e164', () => true))('$id: $expect', ({ id, text, expect: expected }) => {
    // The printed form of E.123 loses its blanks, as the vector asks.
    const wanted = expected === 'valid' || id === 'e164-spaces' ? text!.replaceAll(' ', '') : null
    expect(valueRead('phone', text!)).toBe(wanted)
  })
})

describe('an allowance', () => {
  // IEC 80000-13: k, M, G are powers of 1,000; Ki, Mi, Gi of 1,024.
  it.each([
    ['500000000', 500_000_000],
    ['500 MB', 500_000_000],
    ['1.5GB', 1_500_000_000],
    ['1,5 gb', 1_500_000_000],
    ['2 GiB', 2_147_483_648],
    ['0', 0],
    ['1.500', null],
    ['-5', null],
    ['5 apples', null],
    ['99999999999999 TB', null],
  ])('%s is %s bytes', (text, bytes) => {
    expect(valueRead('dataAllowanceBytes', text)).toBe(bytes)
  })
})

describe('a row', () => {
  it('has a fault for each cell that is wrong, and none for those that are right', () => {
    const cells = ['490154203237519', '', 'nobody', '', '12', '8944110000000000008', '', 'Nowhere', '', '', 'perhaps']
    const row = judgeRow({ line: 7, cells }, UNIT_COLUMN_NAMES, context)
    expect(row.faults.map(({ line, column }) => [line, column])).toEqual([
      [7, 'imei'],
      [7, 'model'],
      [7, 'phone'],
      [7, 'timeZone'],
      [7, 'retired'],
    ])
    expect(row.given.iccid).toBe('8944110000000000008')
  })
})

describe('docs/unit-lists.md', () => {
  it('explains every code that the source gives', () => {
    const root = path.resolve(import.meta.dirname, '../..')
    const text = readFileSync(path.join(root, 'docs/unit-lists.md'), 'utf8')
    const sources = [
      'units/unit-cells',
      'units/unit-row',
      'units/unit-plan',
      'units/unit-judge.service',
      'units/identity',
    ]
      .concat(['units/unit-resolve.service', 'csv/header', 'csv/table.driver', 'checkins/checkin-csv'])
      .map((name) => readFileSync(path.join(root, `src/${name}.ts`), 'utf8'))
      .join('\n')
    const codes = [
      ...sources.matchAll(/(?:refuse|fault|whole|note)\([^']*'([a-z]+(?:-[a-z0-9]+)+)'/g),
      ...sources.matchAll(/code: '([a-z]+(?:-[a-z]+)+)'/g),
    ].map((match) => match[1]!)
    // Of identity.ts: an empty cell says nothing, an IMEISV is cut, and one is no code.
    const never = ['imei-empty', 'iccid-empty', 'phone-empty', 'serial-empty', 'imei-imeisv', 'windows-1252']
    const missing = [...new Set(codes)].filter((code) => !never.includes(code) && !text.includes(`\`${code}\``))
    expect(codes.length).toBeGreaterThan(40)
    expect(missing).toEqual([])
  })
})
