// A row of a list of version reports becomes an item of POST /check-ins, or faults that say what to do. Pure. Times as
// spreadsheets write them are refused unless they can mean one moment only: a wrong hour confirms what is not so.
import { bareDigits, isSpreadsheetError, readCell, shortened } from '../csv/cell.js'
import type { Finding } from '../csv/finding.js'

/** Our names, each with plain words of the trade for it (common practice, no source). */
export const CHECKIN_COLUMNS = {
  unit: ['IMEI', 'IMEI number', 'serial', 'serial number', 'serial no', 'device', 'camera'],
  version: ['firmware', 'firmware version', 'software', 'software version', 'FW', 'FW version'],
  observedAt: ['observed', 'time', 'timestamp', 'date', 'reported at', 'last seen'],
  id: ['report id', 'message id'],
  digest: ['checksum', 'hash'],
  note: ['notes', 'comment', 'comments', 'remark', 'remarks'],
} as const
export type CheckinColumn = keyof typeof CHECKIN_COLUMNS

export type CheckinItem = Partial<Record<CheckinColumn, string>> & { unit: string; version: string }

const EXPONENT = /^\d+([.,]\d+)?e\+?\d+$/i
/** RFC 3339 §5.6, the blank of its note and minutes without seconds included: with an offset it is one moment. */
const WITH_OFFSET = /^(\d{4}-\d\d-\d\d)[Tt ]+(\d\d:\d\d)(:\d\d(?:[.,]\d{1,9})?)? ?([Zz]|UTC|[+-]\d\d:?\d\d)$/
const WITHOUT_OFFSET = /^\d{4}-\d\d-\d\d([Tt ]+\d\d:\d\d(:\d\d([.,]\d+)?)?)?$/
const DAY_NUMBER = /^\d{4,6}([.,]\d+)?$/

type Judged = { text: string } | { code: string; detail: string }

function readTime(text: string): Judged {
  const match = WITH_OFFSET.exec(text)
  if (match) {
    const [, date, minutes, seconds = ':00', offset] = match as unknown as [string, string, string, string?, string?]
    const zone = /^(z|utc)$/i.test(offset!) ? 'Z' : offset!.replace(/^([+-]\d\d):?(\d\d)$/, '$1:$2')
    return { text: `${date}T${minutes}${seconds.replace(',', '.')}${zone}` }
  }
  if (WITHOUT_OFFSET.test(text)) {
    const detail =
      'The time does not say in which zone: write it as 2026-05-01T12:00:00Z, or with +02:00 in the place of Z.'
    return { code: 'time-without-zone', detail }
  }
  if (DAY_NUMBER.test(text)) {
    const detail =
      'This is the number by which a spreadsheet counts days: format the column as text, as 2026-05-01T12:00:00Z.'
    return { code: 'time-day-number', detail }
  }
  const detail = 'Day and month can be read in two ways, or this is no time: write it as 2026-05-01T12:00:00Z.'
  return { code: 'time-ambiguous', detail }
}

function readUnit(text: string, literal: boolean): Judged {
  if (!literal && EXPONENT.test(text)) {
    const detail = 'A spreadsheet turned the number into this form and lost its last digits: copy it anew, as text.'
    return { code: 'unit-exponent', detail }
  }
  // Only what then is as long as an IMEI was one: a serial number may well be 12-34.
  const digits = bareDigits(text)
  return { text: /^\d{15}$/.test(digits) ? digits : text }
}

function readOther(column: CheckinColumn, text: string, literal: boolean): Judged {
  if (column === 'version' && !literal && EXPONENT.test(text)) {
    return {
      code: 'version-exponent',
      detail: 'A spreadsheet turned the version into a number: copy it anew, as text.',
    }
  }
  return { text }
}

export function judgeCheckinRow(
  row: { line: number; cells: readonly string[] },
  columns: readonly (CheckinColumn | null)[],
): { item: CheckinItem } | { faults: Finding[] } {
  const item: Partial<Record<CheckinColumn, string>> = {}
  const faults: Finding[] = []
  for (const [index, raw] of row.cells.entries()) {
    const { text, literal } = readCell(raw)
    if (text === '') continue
    const column = columns[index] ?? null
    const fault = (code: string, detail: string) =>
      faults.push({ line: row.line, column, value: shortened(text), code, detail })
    if (index >= columns.length) {
      fault(
        'cells-too-many',
        'The row has more cells than the header: put a value that holds the separator into quotes.',
      )
      break
    }
    if (column === null) continue
    if (!literal && isSpreadsheetError(text)) {
      fault('spreadsheet-error', 'The spreadsheet had no value here: mend its formula, or empty the cell.')
      continue
    }
    const judged =
      column === 'unit'
        ? readUnit(text, literal)
        : column === 'observedAt'
          ? readTime(text)
          : readOther(column, text, literal)
    if ('code' in judged) fault(judged.code, judged.detail)
    else item[column] = judged.text
  }
  for (const column of ['unit', 'version'] as const) {
    if (item[column] !== undefined || faults.some((fault) => fault.column === column)) continue
    const detail = column === 'unit' ? 'Give the IMEI or the serial number.' : 'Give the version as the unit says it.'
    faults.push({ line: row.line, column, value: '', code: `${column}-missing`, detail })
  }
  return faults.length > 0 ? { faults } : { item: item as CheckinItem }
}
