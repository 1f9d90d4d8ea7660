// Reads a list of units from a file into its scratch file and judges every row by itself. Touches no unit.
import type { Finding } from '../csv/finding.js'
import { readHeader } from '../csv/header.js'
import { openTable, type Table, TableFault, type TableRow } from '../csv/table.driver.js'
import type { Scratch } from './import-scratch.store.js'
import type { CellContext } from './unit-cells.js'
import { UNIT_COLUMNS, type UnitColumn } from './unit-columns.js'
import { bySlices, SLICE_ROWS } from './unit-resolve.service.js'
import { isBlank, type JudgedRow, judgeRow } from './unit-row.js'

/** Five times the largest fleet that this is made for: beyond it the list is no list of units. */
const ROWS_MAX = 1_000_000
/** Two for each row: half a gigabyte of findings, on disk and as an answer, which a list of 20 MB could make ten of. */
const FINDINGS_MAX = 2_000_000

const whole = (line: number, code: string, detail: string): Finding => ({ line, column: null, value: '', code, detail })

/** @returns false where the file as a whole cannot be taken; the findings say why */
export async function judgeFile(
  file: string,
  scratch: Scratch,
  context: CellContext,
  findingsMax = FINDINGS_MAX,
): Promise<boolean> {
  try {
    return await judgeTable(await openTable(file), scratch, { ...context, findingsMax })
  } catch (error) {
    if (!(error instanceof TableFault)) throw error
    scratch.addFindings('rejected', [whole(error.line, error.code, error.message)])
    return false
  }
}

async function judgeTable(
  table: Table,
  scratch: Scratch,
  context: CellContext & { findingsMax: number },
): Promise<boolean> {
  let columns: (UnitColumn | null)[] | null = null
  let waiting: JudgedRow[] = []
  let count = 0
  let found = 0
  for await (const row of table.rows()) {
    if (isBlank(row.cells)) continue
    if (columns === null) {
      columns = takeHeader(row, scratch)
      if (columns === null) return false
      if (table.encoding === 'windows-1252') {
        const detail =
          'The file is not UTF-8 and was read as Windows-1252: check names with accents, or save it as UTF-8.'
        scratch.addFindings('caution', [whole(1, 'encoding-guessed', detail)])
      }
      continue
    }
    count += 1
    if (count > ROWS_MAX) {
      const detail = `A list may have ${ROWS_MAX} rows: send it in several files.`
      scratch.addFindings('rejected', [whole(row.line, 'rows-too-many', detail)])
      return false
    }
    const judged = judgeRow(row, columns, context)
    waiting.push(judged)
    found += judged.faults.length + judged.cautions.length
    if (found > context.findingsMax) {
      scratch.addRows(waiting)
      const detail = `There are more than ${context.findingsMax} findings up to here: mend what they name, and send the list again.`
      scratch.addFindings('rejected', [whole(row.line, 'findings-too-many', detail)])
      return false
    }
    if (waiting.length >= SLICE_ROWS) {
      scratch.addRows(waiting)
      waiting = []
      await new Promise<void>((resolve) => setImmediate(resolve))
    }
  }
  scratch.addRows(waiting)
  if (columns === null) {
    const detail = 'The file is empty: it needs a first row with the names of the columns, and a row for each unit.'
    scratch.addFindings('rejected', [whole(1, 'file-empty', detail)])
    return false
  }
  for (const column of ['imei', 'serial'] as const) {
    await bySlices(scratch.lastN(), (first, last) => scratch.refuseDoubled(column, first, last))
  }
  return true
}

function takeHeader(row: TableRow, scratch: Scratch): (UnitColumn | null)[] | null {
  const { columns, faults, cautions } = readHeader(row, UNIT_COLUMNS)
  scratch.addFindings('caution', cautions)
  scratch.addFindings('rejected', faults)
  if (faults.length > 0) return null
  if (columns.includes('imei') || columns.includes('serial')) return columns
  const detail =
    'The first row must name the columns, imei or serial among them: imei,serial,model,phone,iccid,groups,timeZone.'
  scratch.addFindings('rejected', [whole(row.line, 'header-missing', detail)])
  return null
}
