// Conditional requests (RFC 9110 §13): which answer the conditions leave, in the order of §13.2.2. Pure.
import { parseHttpDate } from './http-date.js'

export interface Validators {
  /** The strong entity tag with its quotes. */
  etag: string
  /** When the bytes were stored, whole seconds as ms. */
  lastModifiedMs: number
}

type Fields = ReadonlyMap<string, string>

/** For GET and HEAD on a file that exists. A date that cannot be read is as if it were not there (§13.1.3, §13.1.4). */
export function evaluate(fields: Fields, file: Validators): 'proceed' | 'not-modified' | 'failed' {
  const ifMatch = fields.get('if-match')
  if (ifMatch !== undefined) {
    if (!namesStrongly(ifMatch, file.etag)) return 'failed'
  } else if (laterThan(file, fields.get('if-unmodified-since')) === true) return 'failed'

  const ifNoneMatch = fields.get('if-none-match')
  if (ifNoneMatch !== undefined) return namesWeakly(ifNoneMatch, file.etag) ? 'not-modified' : 'proceed'
  return laterThan(file, fields.get('if-modified-since')) === false ? 'not-modified' : 'proceed'
}

/**
 * Whether Range may be honoured (§13.1.5): tags by strong comparison, dates by exact equality. The date counts as a
 * strong validator here (§8.8.2.2) because the bytes behind a link never change.
 */
export function ifRangeAllows(fields: Fields, file: Validators): boolean {
  const field = fields.get('if-range')
  if (field === undefined) return true
  return field === file.etag || parseHttpDate(field) === file.lastModifiedMs
}

/** Whether If-Range and If-Match, where present, name this very tag: neither `*` nor a date does. For inference only. */
export function namesOnly(fields: Fields, etag: string): boolean {
  return [fields.get('if-range'), fields.get('if-match')].every((field) => field === undefined || field === etag)
}

/** null = no date to compare with. */
function laterThan(file: Validators, field: string | undefined): boolean | null {
  const dateMs = field === undefined ? null : parseHttpDate(field)
  return dateMs === null ? null : file.lastModifiedMs > dateMs
}

function namesStrongly(field: string, etag: string): boolean {
  return field === '*' || tagsOf(field).includes(etag)
}

function namesWeakly(field: string, etag: string): boolean {
  return field === '*' || tagsOf(field).some((tag) => tag.replace(/^W\//, '') === etag)
}

/** The entity tags of a list (§8.8.3); what is not a tag matches nothing. */
function tagsOf(field: string): string[] {
  return field.match(/(?:W\/)?"[\x21\x23-\x7e\x80-\xff]*"/g) ?? []
}
