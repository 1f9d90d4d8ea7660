// The forms in which the log leaves the house. Pure: entries in, lines out.
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

/**
 * One cell (RFC 4180 §2). A text that a spreadsheet would run as a formula is kept text by an apostrophe in front
 * (OWASP, CSV injection: cells beginning with = + - @, tab, carriage return or line feed; ASVS 5.0 item 1.2.10 adds NUL;
 * the full-width forms of the four signs, which some spreadsheets read alike, are from memory).
 */
function csvCell(value: unknown): string {
  if (value === null || value === undefined) return ''
  const text = typeof value === 'object' ? JSON.stringify(value) : String(value)
  const safe = /^[=+\-@\t\r\n\0\uFF1D\uFF0B\uFF0D\uFF20]/.test(text) ? `'${text}` : text
  return /[",\r\n']/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe
}

/** With a byte order mark, so that a spreadsheet reads UTF-8. */
export const csvHead = (): string => `\uFEFF${CSV_COLUMNS.join(',')}\r\n`

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
  return `${CSV_COLUMNS.map((column) => csvCell(flat[column])).join(',')}\r\n`
}
