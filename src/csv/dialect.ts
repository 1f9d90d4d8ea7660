// Which signs and separators a table was saved with: told from its bytes, for nobody knows what their spreadsheet does. Pure.

export type Encoding = 'utf-8' | 'utf-16le' | 'utf-16be' | 'windows-1252'

/** Enough for any first line; what decides stands there. */
export const BEGINNING_BYTES = 64 * 1024

/** What is no table of text at all, by its first bytes; null where it may be one. */
export function foreignKind(beginning: Uint8Array): string | null {
  const starts = (...bytes: number[]) => bytes.every((byte, index) => beginning[index] === byte)
  if (starts(0x50, 0x4b, 0x03, 0x04)) return 'a workbook or another packed file'
  if (starts(0xd0, 0xcf, 0x11, 0xe0)) return 'a workbook of an old form'
  if (starts(0x25, 0x50, 0x44, 0x46)) return 'a PDF document'
  if (starts(0x1f, 0x8b)) return 'a compressed file'
  return null
}

/**
 * A byte order mark says it; UTF-16 without one shows by the zero in every second byte of its first line. What is not
 * valid UTF-8 as a whole is read as Windows-1252, in which spreadsheets save by old habit (common practice, no source).
 */
export function encodingOf(beginning: Uint8Array, isUtf8: () => boolean): Encoding {
  if (beginning[0] === 0xff && beginning[1] === 0xfe) return 'utf-16le'
  if (beginning[0] === 0xfe && beginning[1] === 0xff) return 'utf-16be'
  if (beginning.length >= 4) {
    if (beginning[0] !== 0 && beginning[1] === 0 && beginning[2] !== 0 && beginning[3] === 0) return 'utf-16le'
    if (beginning[0] === 0 && beginning[1] !== 0 && beginning[2] === 0 && beginning[3] !== 0) return 'utf-16be'
  }
  return isUtf8() ? 'utf-8' : 'windows-1252'
}

/** In order of preference where a first line holds as many of one as of the other. */
const DELIMITERS = [',', ';', '\t', '|'] as const

/** Spreadsheets name the separator in a line of its own before the header: sep=; (common practice, no source). */
const SEP_LINE = /^"?sep=([^\r\n"])"?[\s;,]*(?:\r\n|\r|\n|$)/i

export const isSepLine = (line: string): boolean => SEP_LINE.test(line)

/** The separator named, or the one that stands most often outside of quotes in the first line that is not blank. */
export function delimiterOf(beginning: string): string {
  const named = SEP_LINE.exec(beginning)
  if (named) return named[1]!
  const counts = new Map<string, number>(DELIMITERS.map((sign) => [sign, 0]))
  let quoted = false
  let blank = true
  for (const sign of beginning) {
    if (sign === '"') {
      quoted = !quoted
      blank = false
    } else if (!quoted && (sign === '\r' || sign === '\n')) {
      if (!blank) break
    } else if (!quoted && counts.has(sign)) counts.set(sign, counts.get(sign)! + 1)
    else if (sign.trim() !== '') blank = false
  }
  return DELIMITERS.reduce((best, sign) => (counts.get(sign)! > counts.get(best)! ? sign : best))
}
