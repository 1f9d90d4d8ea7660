// The lines of an audit export: how bytes become lines, and what a line says. Pure.
import { type ChainHead, entryHash, hashOf } from './chain.js'
import { readPlainEntry } from './plain-entry.js'

export const EXPORT_FORMAT = 'firmhand-audit/1'

/** An entry is some hundred bytes; a line beyond this is no entry, and reading on would only fill the memory. */
export const LINE_MAX = 1024 * 1024

const HASH = /^[0-9a-f]{64}$/

export interface EntryLine {
  type: 'entry'
  line: number
  /** As stated; null where it is no whole number from 1 on. */
  seq: number | null
  prev: unknown
  hash: unknown
  /** Its own hash is right, and its labels are what labelsHash says, or erased. */
  valid: boolean
}
export interface HeadLine {
  type: 'head'
  line: number
  complete: boolean
  hash: string
}
export interface EndLine {
  type: 'end'
  line: number
  entries: number
  lastSeq: number
  lastHash: string
  headHash: string | null
}
export interface UnreadableLine {
  type: 'unreadable'
  line: number
  /** The text stops in the middle, as a file does that was cut there. */
  brokenOff: boolean
}
export type ExportLine = EntryLine | HeadLine | EndLine | UnreadableLine

/** What the first line says. */
export interface ExportHead {
  type: 'head'
  format: typeof EXPORT_FORMAT
  server: string
  exportedAt: string
  filter: Record<string, unknown> | null
  complete: boolean
}
/** What the last line says: of the entries in this file, with 0 and 64 zeros where it has none. */
export interface ExportEnd {
  type: 'end'
  entries: number
  lastSeq: number
  lastHash: string
  /** Binds the head line, which no entry does, against damage on the way. */
  headHash: string
}

export function exportHead(head: Omit<ExportHead, 'type' | 'format'>): ExportHead {
  return { type: 'head', format: EXPORT_FORMAT, ...head }
}

export function exportEnd(head: ExportHead, entries: number, last: ChainHead): ExportEnd {
  return { type: 'end', entries, lastSeq: last.seq, lastHash: last.hash, headHash: hashOf(head) }
}

export function readExportLine(text: string, line: number): ExportLine {
  return (text.length <= LINE_MAX ? readPlainEntry(text, line) : null) ?? readAnyLine(text, line)
}

/**
 * White space between the parts of a line, the order of members and escapes that mean the same character change no
 * value, so they change no hash: they are harmless and pass.
 */
export function readAnyLine(text: string, line: number): ExportLine {
  const unreadable: UnreadableLine = { type: 'unreadable', line, brokenOff: !text.trimEnd().endsWith('}') }
  if (text.length > LINE_MAX) return unreadable
  try {
    const value: unknown = JSON.parse(text)
    // JSON.parse silently keeps the last of two members with one name, and another reader may keep the first.
    if (!isObject(value) || countMembers(value) !== countColons(text)) return unreadable
    if (value.type === 'entry') return readEntry(value, line)
    return (value.type === 'head' ? readHead(value, line) : readEnd(value, line)) ?? unreadable
  } catch {
    return unreadable // No JSON, or no I-JSON: canonicalJson refuses lone surrogates and numbers beyond a double.
  }
}

function readEntry(value: Record<string, unknown>, line: number): EntryLine {
  const { seq, prev, hash, labels, labelsHash } = value
  // Labels that are null were erased or never there; labels that nothing vouches for were added afterwards.
  const labelsRight = labels === null || (isObject(labels) && labelsHash === hashOf(labels))
  const valid = entryHash(value) === hash && labelsRight
  return { type: 'entry', line, seq: isCount(seq) && seq > 0 ? seq : null, prev, hash, valid }
}

function readHead(value: Record<string, unknown>, line: number): HeadLine | null {
  const { format, server, exportedAt, filter, complete } = value
  const right =
    hasMembers(value, ['type', 'format', 'server', 'exportedAt', 'filter', 'complete']) &&
    format === EXPORT_FORMAT &&
    typeof server === 'string' &&
    typeof exportedAt === 'string' &&
    (filter === null || isObject(filter)) &&
    typeof complete === 'boolean'
  return right ? { type: 'head', line, complete, hash: hashOf(value) } : null
}

function readEnd(value: Record<string, unknown>, line: number): EndLine | null {
  const { type, entries, lastSeq, lastHash, headHash = null } = value
  const names = ['type', 'entries', 'lastSeq', 'lastHash']
  const right =
    type === 'end' &&
    hasMembers(value, 'headHash' in value ? [...names, 'headHash'] : names) &&
    isCount(entries) &&
    isCount(lastSeq) &&
    isHash(lastHash) &&
    (headHash === null || isHash(headHash))
  return right ? { type: 'end', line, entries, lastSeq, lastHash, headHash } : null
}

const isObject = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null && !Array.isArray(value)
const isCount = (value: unknown): value is number => Number.isSafeInteger(value) && (value as number) >= 0
const isHash = (value: unknown): value is string => typeof value === 'string' && HASH.test(value)

function hasMembers(value: object, names: string[]): boolean {
  return Object.keys(value).length === names.length && names.every((name) => Object.hasOwn(value, name))
}

/** Members at any depth that are left after parsing. */
function countMembers(value: unknown): number {
  if (typeof value !== 'object' || value === null) return 0
  const items = Object.values(value)
  let count = Array.isArray(value) ? 0 : items.length
  for (const item of items) count += countMembers(item)
  return count
}

/** Members at any depth that the text holds: in valid JSON each one has just one colon outside of strings. */
function countColons(text: string): number {
  let count = 0
  let inString = false
  for (let i = 0; i < text.length; i += 1) {
    const code = text.charCodeAt(i)
    if (inString) {
      if (code === 0x5c)
        i += 1 // A backslash hides the sign after it.
      else if (code === 0x22) inString = false
    } else if (code === 0x22) inString = true
    else if (code === 0x3a) count += 1
  }
  return count
}

/**
 * Splits bytes at LF, as many lines at a time as have come together. Bytes that are no UTF-8 make their line unreadable: a
 * lenient decoder would show two different bytes as one and the same replacement character. A line beyond LINE_MAX is
 * handed over as far as it was read, and ends the reading.
 */
export async function* exportLineBatches(
  chunks: AsyncIterable<Uint8Array> | Iterable<Uint8Array>,
): AsyncGenerator<string[]> {
  let rest: Uint8Array[] = []
  let restBytes = 0
  for await (const chunk of chunks) {
    const last = chunk.lastIndexOf(0x0a)
    if (last >= 0) {
      yield decodeLines([...rest, chunk.subarray(0, last)])
      rest = []
      restBytes = 0
    }
    rest.push(chunk.subarray(last + 1))
    restBytes += chunk.length - last - 1
    // UTF-8 needs up to three bytes for one UTF-16 unit, in which LINE_MAX counts.
    if (restBytes > 3 * LINE_MAX) break
  }
  if (restBytes > 0) yield [decode(Buffer.concat(rest))]
}

export async function* exportLines(chunks: AsyncIterable<Uint8Array> | Iterable<Uint8Array>): AsyncGenerator<string> {
  for await (const lines of exportLineBatches(chunks)) yield* lines
}

const STRICT = new TextDecoder('utf-8', { fatal: true, ignoreBOM: true })

/** No byte of a longer UTF-8 sequence is an LF (RFC 3629 §3): what is whole as a block is whole line by line. */
function decodeLines(parts: Uint8Array[]): string[] {
  const bytes = Buffer.concat(parts)
  try {
    return STRICT.decode(bytes).split('\n')
  } catch {
    const lines: string[] = []
    let from = 0
    for (let at = bytes.indexOf(0x0a); at >= 0; at = bytes.indexOf(0x0a, from)) {
      lines.push(decode(bytes.subarray(from, at)))
      from = at + 1
    }
    return [...lines, decode(bytes.subarray(from))]
  }
}

function decode(bytes: Buffer): string {
  try {
    return STRICT.decode(bytes)
  } catch {
    return `${bytes.toString('utf8')}\ufffd` // Outside of any string, so that no JSON parser accepts it.
  }
}
