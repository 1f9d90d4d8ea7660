// Reads the head of one HTTP/1.x request for `/d/`, piece by piece as the bytes come in (RFC 9112 §2 to §6, with the
// leniency that units without an HTTP library need: LF alone, folded lines, odd spacing, no Host). Pure and bounded.
import { isDownloadTarget } from './download-path.js'

/** A real head has a few hundred bytes; a giant User-Agent still fits. */
export const HEAD_BYTES_MAX = 16 * 1024
/** Common servers stop at 100; a unit sends under ten. */
export const HEADER_LINES_MAX = 100

export interface RequestHead {
  method: string
  target: string
  /** Of HTTP/1.x; whatever is newer than 1.1 within 1.x counts as 1.1 (RFC 9110 §2.5). */
  minorVersion: 0 | 1
  /** Names in lower case; a repeated field is joined by commas in order (RFC 9110 §5.3). */
  headers: ReadonlyMap<string, string>
}

export type HeadOutcome =
  | { kind: 'more' }
  | { kind: 'head'; head: RequestHead; rest: Buffer }
  /** The request line is whole and not for `/d/`: everything read so far, for whoever answers it. */
  | { kind: 'other'; bytes: Buffer }
  | { kind: 'refused'; reason: 'not-http' | 'head-too-large' | 'too-many-fields' }

export interface HeadReader {
  /** Feeds the next bytes. After any outcome but `more` the reader is spent. */
  push(chunk: Buffer): HeadOutcome
}

const LF = 0x0a
const CR = 0x0d
/** Method, target, version. HTTP/0.9 has no version and is refused: its answer could not carry a length. */
const REQUEST_LINE = /^([!#$%&'*+.^_`|~0-9A-Za-z-]+)[ \t]+(\S(?:.*\S)?)[ \t]+HTTP\/(\d)\.(\d)$/i

export function createHeadReader(): HeadReader {
  let bytes = Buffer.alloc(0)
  let used = 0
  let lineStart = 0
  let blanks = 0
  let requestLine: Omit<RequestHead, 'headers'> | null = null
  const lines: string[] = []

  function append(chunk: Buffer): void {
    if (used + chunk.length > bytes.length) {
      // Doubling keeps a head that comes byte by byte from being copied once per byte.
      const larger = Buffer.allocUnsafe(Math.max(used + chunk.length, bytes.length * 2, 512))
      bytes.copy(larger, 0, 0, used)
      bytes = larger
    }
    chunk.copy(bytes, used)
    used += chunk.length
  }

  /** null = the head goes on. `end` is the place behind the line's LF. */
  function takeLine(line: string, end: number): HeadOutcome | null {
    if (requestLine === null) {
      if (line === '') return null // RFC 9112 §2.2: empty lines before the request line are skipped.
      const parsed = parseRequestLine(line)
      if (!parsed) return { kind: 'refused', reason: 'not-http' }
      if (parsed.major === 1 && isDownloadTarget(parsed.target)) {
        requestLine = { method: parsed.method, target: parsed.target, minorVersion: parsed.minor === 0 ? 0 : 1 }
        return null
      }
      if (isDownloadTarget(parsed.target)) return { kind: 'refused', reason: 'not-http' }
      return { kind: 'other', bytes: Buffer.from(bytes.subarray(0, used)) }
    }
    if (line === '') {
      const head = { ...requestLine, headers: parseFields(lines) }
      return { kind: 'head', head, rest: Buffer.from(bytes.subarray(end, used)) }
    }
    if (lines.length === HEADER_LINES_MAX) return { kind: 'refused', reason: 'too-many-fields' }
    lines.push(line)
    return null
  }

  return {
    push(chunk) {
      let searchFrom = used
      append(chunk)
      while (blanks < Math.min(used, HEAD_BYTES_MAX) && isBlank(bytes[blanks])) blanks += 1
      if (blanks < Math.min(used, HEAD_BYTES_MAX) && !isPrintable(bytes[blanks])) {
        return { kind: 'refused', reason: 'not-http' }
      }
      for (;;) {
        const lineFeed = bytes.subarray(0, Math.min(used, HEAD_BYTES_MAX)).indexOf(LF, searchFrom)
        if (lineFeed < 0) break
        const outcome = takeLine(lineText(bytes, lineStart, lineFeed), lineFeed + 1)
        lineStart = lineFeed + 1
        searchFrom = lineStart
        if (outcome) return outcome
      }
      return used > HEAD_BYTES_MAX ? { kind: 'refused', reason: 'head-too-large' } : { kind: 'more' }
    },
  }
}

const isBlank = (byte: number | undefined): boolean => byte === CR || byte === LF || byte === 0x20 || byte === 0x09
/** A TLS greeting or noise shows in its first byte: the rest need not be waited for. */
const isPrintable = (byte: number | undefined): boolean => byte !== undefined && byte > 0x20 && byte < 0x7f

/** One line without its end. A CR inside is read as a space (RFC 9112 §2.2). */
function lineText(bytes: Buffer, first: number, lineFeed: number): string {
  let end = lineFeed
  while (end > first && bytes[end - 1] === CR) end -= 1
  return bytes.toString('latin1', first, end).replaceAll('\r', ' ')
}

function parseRequestLine(line: string): { method: string; target: string; major: number; minor: number } | null {
  const match = REQUEST_LINE.exec(line.trim())
  if (!match) return null
  const [, method, target, major, minor] = match as unknown as [string, string, string, string, string]
  return { method, target, major: Number(major), minor: Number(minor) }
}

function parseFields(lines: string[]): Map<string, string> {
  const fields = new Map<string, string>()
  for (const line of unfold(lines)) {
    const colon = line.indexOf(':')
    if (colon < 0) continue // Noise between fields harms nobody: a request with a body ends the connection anyway.
    // A blank before the colon is trimmed too: `Content-Length : 5` has to be seen as the body it announces.
    const name = line.slice(0, colon).trim().toLowerCase()
    const value = line.slice(colon + 1).trim()
    const before = fields.get(name)
    fields.set(name, before === undefined ? value : `${before}, ${value}`)
  }
  return fields
}

/** obs-fold, RFC 9112 §5.2: a line that begins with a blank continues the one before. */
function unfold(lines: string[]): string[] {
  const whole: string[] = []
  for (const line of lines) {
    const folded = line.startsWith(' ') || line.startsWith('\t')
    if (!folded) whole.push(line)
    else if (whole.length > 0) whole.push(`${whole.pop()} ${line.trim()}`)
  }
  return whole
}

/** What the framing fields say (RFC 9112 §6): the byte server reads no bodies, but it must know that one follows. */
export function bodyOf(head: RequestHead): 'none' | 'follows' | 'faulty' {
  const coding = head.headers.get('transfer-encoding')
  const length = head.headers.get('content-length')
  if (coding !== undefined) return length === undefined && head.minorVersion === 1 ? 'follows' : 'faulty'
  if (length === undefined) return 'none'
  const values = new Set(length.split(',').map((value) => value.trim()))
  const [only] = values
  if (values.size !== 1 || !only || !/^\d+$/.test(only)) return 'faulty'
  return /^0+$/.test(only) ? 'none' : 'follows'
}

/** Whether the client wants the connection kept (RFC 9112 §9.3). A 1.0 client has to ask for it. */
export function wantsKeepAlive(head: RequestHead): boolean {
  const options = (head.headers.get('connection') ?? '').toLowerCase().split(',')
  const has = (option: string): boolean => options.some((one) => one.trim() === option)
  return !has('close') && (head.minorVersion === 1 || has('keep-alive'))
}
