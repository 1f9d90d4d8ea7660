// A row of a list of units, judged by itself: what it says of which unit, and what is wrong with its cells. Pure.
import { isSpreadsheetError, readCell, shortened } from '../csv/cell.js'
import type { Finding } from '../csv/finding.js'
import { canBeStored } from '../http/stored-text.js'
import { UNIT_DEFAULTS, type UnitInput } from './unit.js'
import { type CellContext, type CellResult, looksLikeImei, readUnitCell } from './unit-cells.js'
import { CLEAR, type UnitColumn } from './unit-columns.js'

export interface JudgedRow {
  line: number
  imei: string | null
  serial: string | null
  /** Only what the row says: an absent column and an empty cell leave what is stored. */
  given: Partial<UnitInput>
  faults: Finding[]
  cautions: Finding[]
}

export const isBlank = (cells: readonly string[]): boolean => cells.every((cell) => readCell(cell).text === '')

const CLEARED: Partial<Record<UnitColumn, unknown>> = {
  hardware: UNIT_DEFAULTS.hardware,
  phone: UNIT_DEFAULTS.phone,
  iccid: UNIT_DEFAULTS.iccid,
  groups: UNIT_DEFAULTS.groups,
  timeZone: UNIT_DEFAULTS.timeZone,
  dataAllowanceBytes: UNIT_DEFAULTS.dataAllowanceBytes,
  notes: UNIT_DEFAULTS.notes,
  retired: UNIT_DEFAULTS.retired,
}

const EXPONENT = /^\d([.,]\d+)?E\+\d+$/i

const fault = (code: string, detail: string): CellResult => ({ fault: { code, detail } })

/** null: the cell says nothing. */
function judgeCell(column: UnitColumn, raw: string, context: CellContext): CellResult | null {
  const { text, literal, repair } = readCell(raw)
  if (text === '') return null
  if (!canBeStored(text)) return fault('text-invalid', 'The cell holds a NUL, which no text has: delete and retype it.')
  if (!literal && text.toLowerCase() === CLEAR) {
    if (column in CLEARED) return { value: CLEARED[column], cautions: [] }
    return fault('clear-refused', `A list cannot clear the ${column}: change the unit by itself.`)
  }
  if (!literal && isSpreadsheetError(text)) {
    return fault('spreadsheet-error', 'The spreadsheet had no value here: mend its formula, or empty the cell.')
  }
  if (column === 'serial' && !literal && EXPONENT.test(text)) {
    const detail = 'A spreadsheet turned the serial number into this form: format the column as text and copy it anew.'
    return fault('serial-exponent', detail)
  }
  const result = readUnitCell(column, text, context)
  if ('fault' in result || repair === null) return result
  const detail =
    repair === 'apostrophe'
      ? 'An apostrophe at the front was taken off; behind two of them one stays.'
      : 'The formula ="…" was taken for the text in it.'
  return { value: result.value, cautions: [...result.cautions, { code: repair, detail }] }
}

export function judgeRow(
  row: { line: number; cells: readonly string[] },
  columns: readonly (UnitColumn | null)[],
  context: CellContext,
): JudgedRow {
  const judged: JudgedRow = { line: row.line, imei: null, serial: null, given: {}, faults: [], cautions: [] }
  for (const [index, raw] of row.cells.entries()) {
    const column = columns[index] ?? null
    const at = () => ({ line: row.line, column, value: shortened(raw.trim()) })
    if (index >= columns.length && readCell(raw).text !== '') {
      const detail = 'The row has more cells than the header: put a value that holds the separator into quotes.'
      judged.faults.push({ ...at(), code: 'cells-too-many', detail })
      break
    }
    const result = column === null ? null : judgeCell(column, raw, context)
    if (column === null || result === null) continue
    if ('fault' in result) judged.faults.push({ ...at(), ...result.fault })
    else {
      Object.assign(judged.given, { [column === 'model' ? 'modelId' : column]: result.value })
      for (const caution of result.cautions) judged.cautions.push({ ...at(), ...caution })
    }
  }
  judged.imei = judged.given.imei ?? null
  judged.serial = judged.given.serial ?? null
  nameExchanged(row, columns, judged)
  if (judged.imei === null && judged.serial === null && judged.faults.length === 0) {
    const detail = 'Give the IMEI, or a serial number where the unit has none.'
    judged.faults.push({ line: row.line, column: 'imei', value: '', code: 'identity-missing', detail })
  }
  return judged
}

/** An IMEI that is none beside a serial number that is one: the two columns were mixed up. */
function nameExchanged(
  row: { cells: readonly string[] },
  columns: readonly (UnitColumn | null)[],
  judged: JudgedRow,
): void {
  const index = judged.faults.findIndex(({ column }) => column === 'imei')
  if (index < 0 || judged.serial === null || !looksLikeImei(judged.serial)) return
  const imei = readCell(row.cells[columns.indexOf('imei')] ?? '').text
  const detail = `IMEI and serial number are exchanged in this row: put ${judged.serial} into the column imei and ${shortened(imei)} into the column serial.`
  judged.faults[index] = { ...judged.faults[index]!, code: 'identities-exchanged', detail }
}
