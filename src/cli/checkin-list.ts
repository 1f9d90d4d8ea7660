// A list of version reports, from a file to the server in batches. Each batch is stored by itself: a report is a statement,
// and one that cannot be read does not make the others untrue.
import { CHECKIN_COLUMNS, type CheckinColumn, type CheckinItem, judgeCheckinRow } from '../checkins/checkin-csv.js'
import { readCell } from '../csv/cell.js'
import type { Finding } from '../csv/finding.js'
import { readHeader } from '../csv/header.js'
import { openTable, TableFault } from '../csv/table.driver.js'
import { AppError } from '../errors.js'

/** Far under what the server takes at once, so that one answer comes in a second. */
const BATCH_ITEMS = 1000
/** Refusals kept for the report; beyond it they are counted. */
const REJECTED_MAX = 10_000

export interface Result {
  index: number
  unit: string
  accepted: boolean
  duplicate: boolean
  task: string | null
  state: string | null
  code: string | null
}

export interface CheckinListReport {
  read: number
  accepted: number
  duplicates: number
  rejectedRows: number
  rejected: Finding[]
  cautions: Finding[]
}

const REMEDIES: Record<string, string> = {
  'unit-unknown': 'No unit has this name: add it, or correct the IMEI or serial number.',
  'version-empty': 'Give the version as the unit says it.',
  'version-too-long': 'This is no version: correct it.',
  'time-invalid': 'There is no such time: write it as 2026-05-01T12:00:00Z.',
  'digest-invalid': 'Give SHA-256, SHA-1, MD5 or CRC-32 in hex, or leave the cell empty.',
}

export async function sendCheckinList(
  file: string,
  send: (items: CheckinItem[]) => Promise<Result[]>,
  progress: (read: number) => void,
): Promise<CheckinListReport> {
  const report: CheckinListReport = { read: 0, accepted: 0, duplicates: 0, rejectedRows: 0, rejected: [], cautions: [] }
  const reject = (findings: Finding[]) => {
    report.rejectedRows += 1
    if (report.rejected.length < REJECTED_MAX) report.rejected.push(...findings)
  }
  let batch: { line: number; item: CheckinItem }[] = []
  const flush = async () => {
    if (batch.length === 0) return
    const results = await send(batch.map(({ item }) => item))
    for (const [index, result] of results.entries()) {
      const { line, item } = batch[index]!
      if (result.accepted) {
        report.accepted += 1
        if (result.duplicate) report.duplicates += 1
        continue
      }
      const code = result.code ?? 'item-invalid'
      const column = code.split('-')[0] === 'time' ? 'observedAt' : (code.split('-')[0] as CheckinColumn)
      const known = column in CHECKIN_COLUMNS
      reject([
        {
          line,
          column: known ? column : null,
          value: known ? (item[column] ?? '') : '',
          code,
          detail: REMEDIES[code] ?? 'The server does not take this report: compare it with docs/check-ins.md.',
        },
      ])
    }
    batch = []
    progress(report.read)
  }
  let columns: (CheckinColumn | null)[] | null = null
  try {
    for await (const row of (await openTable(file)).rows()) {
      if (row.cells.every((cell) => readCell(cell).text === '')) continue
      if (columns === null) {
        columns = takeHeader(row, report)
        continue
      }
      report.read += 1
      const judged = judgeCheckinRow(row, columns)
      if ('faults' in judged) reject(judged.faults)
      else batch.push({ line: row.line, item: judged.item })
      if (batch.length >= BATCH_ITEMS) await flush()
    }
  } catch (error) {
    if (!(error instanceof TableFault)) throw error
    // What stands before the fault is good and is sent; the rest of the file cannot be told apart.
    reject([{ line: error.line, column: null, value: '', code: error.code, detail: error.message }])
  }
  await flush()
  if (columns === null && report.rejectedRows === 0)
    throw unreadable('The file is empty: it needs a first row with the names of the columns.')
  return report
}

const unreadable = (detail: string): AppError => new AppError('list-refused', detail)

function takeHeader(row: { line: number; cells: string[] }, report: CheckinListReport): (CheckinColumn | null)[] {
  const { columns, faults, cautions } = readHeader(row, CHECKIN_COLUMNS)
  report.cautions.push(...cautions)
  if (faults.length > 0) throw unreadable(`Line ${row.line}: ${faults[0]!.detail}`)
  if (columns.includes('unit') && columns.includes('version')) return columns
  throw unreadable(
    'The first row must name the columns, unit (or IMEI) and version among them: unit,version,observedAt.',
  )
}
