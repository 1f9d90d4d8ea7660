// The forms in which the log leaves the house. Pure: entries in, lines out.
import { guardFormula } from '../csv/cell.js'
import { BOM, csvRows } from '../csv/write.js'
import type { StoredEntry } from './audit.store.js'

export type ExportFormat = 'json' | 'jsonl' | 'csv'

/** An entry as one line of JSON: the hashed bytes, with hash and labels added behind. */
export const entryLine = (entry: StoredEntry): string =>
  `${entry.body.slice(0, -1)},"hash":"${entry.hash}","labels":${entry.labels ?? 'null'}}`

const CSV_COLUMNS = [
  'seq',
  'at',
  'action',
  'actorId',
  'actorName',
  'actorRole',
  'via',
  'unit',
  'imei',
  'serial',
  'task',
  'package',
  'fromVersion',
  'toVersion',
  'sha256',
  'detail',
  'hash',
]

/** Looked at, never read back: only what a spreadsheet would run is kept from it. */
function csvCell(value: unknown): string {
  if (value === null || value === undefined) return ''
  return guardFormula(typeof value === 'object' ? JSON.stringify(value) : String(value))
}

/** With a byte order mark, so that a spreadsheet reads UTF-8. */
export const csvHead = (): string => BOM + csvRows([CSV_COLUMNS])

export function csvLine(entry: StoredEntry): string {
  const body = JSON.parse(entry.body) as Record<string, unknown> & { actor: { id: string; role: string; via: string } }
  const labels = entry.labels === null ? {} : (JSON.parse(entry.labels) as Record<string, string>)
  const flat: Record<string, unknown> = {
    ...body,
    actorId: body.actor.id,
    actorRole: body.actor.role,
    via: body.actor.via,
    actorName: labels.actorName,
    imei: labels.imei,
    serial: labels.serial,
    hash: entry.hash,
  }
  return csvRows([CSV_COLUMNS.map((column) => csvCell(flat[column]))])
}
