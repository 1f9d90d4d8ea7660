// Reads an entry line that stands there exactly as the server writes it: the canonical text that was hashed, with hash and
// labels behind. Then its bytes are checked as they are, and no value is built only to be written again. Whatever is the
// least unusual is left to the reader that takes any JSON (export-lines.ts); a line that is wrong is, too. Pure.
import { hash as digest } from 'node:crypto'
import { isCanonicalValue, skipCanonicalValue, skipPlainString } from './canonical-text.js'

const HASH_MEMBER = ',"hash":"'
const LABELS_MEMBER = '","labels":'
const HEX_SIGNS = 64
const SEQ_DIGITS_MAX = 15 // All numbers of so many digits are exact (ECMAScript, Number.MAX_SAFE_INTEGER has 16).

/** The members of the hashed text that the chain rests on, as they stand there. */
interface Found {
  type: string | null
  seq: string | null
  prev: string | null
  labelsHash: string | null
  /** Where `hash` begins. */
  end: number
}

export interface PlainEntry {
  type: 'entry'
  line: number
  seq: number
  prev: string
  hash: string
  valid: true
}

/** null = look at it the slow way. What is returned is valid, and the same as the slow way would say. */
export function readPlainEntry(text: string, line: number): PlainEntry | null {
  const found = scanMembers(text)
  if (found?.type !== '"entry"' || found.prev === null || found.seq === null) return null
  if (!found.prev.startsWith('"') || !/^[1-9]\d*$/.test(found.seq) || found.seq.length > SEQ_DIGITS_MAX) return null

  const hashAt = found.end + HASH_MEMBER.length
  const hashEnd = hashAt + HEX_SIGNS
  if (!text.startsWith(LABELS_MEMBER, hashEnd)) return null
  const hash = text.slice(hashAt, hashEnd)
  if (digest('sha256', `${text.slice(0, found.end)}}`, 'hex') !== hash) return null

  const labels = text.slice(hashEnd + LABELS_MEMBER.length, -1)
  if (!text.endsWith('}')) return null
  if (labels !== 'null') {
    if (!labels.startsWith('{') || !isCanonicalValue(labels)) return null
    if (found.labelsHash !== `"${digest('sha256', labels, 'hex')}"`) return null
  }
  return { type: 'entry', line, seq: Number(found.seq), prev: found.prev.slice(1, -1), hash, valid: true }
}

/** Walks over the members of the line up to `hash`; null where they are not canonical, or it does not come. */
function scanMembers(text: string): Found | null {
  const found: Found = { type: null, seq: null, prev: null, labelsHash: null, end: 0 }
  let before = ''
  for (let at = 0; ; ) {
    if (at > 0 && text.startsWith(HASH_MEMBER, at)) {
      found.end = at
      return found
    }
    if (text.charCodeAt(at) !== (at === 0 ? 0x7b : 0x2c)) return null // { or ,
    const nameEnd = skipPlainString(text, at + 1)
    if (nameEnd < 0 || text.charCodeAt(nameEnd) !== 0x3a) return null // :
    const name = text.slice(at + 2, nameEnd - 1)
    if ((at > 0 && name <= before) || name === 'hash' || name === 'labels' || name === '__proto__') return null
    before = name
    const end = skipCanonicalValue(text, nameEnd + 1, 1)
    if (end < 0) return null
    if (name === 'type' || name === 'seq' || name === 'prev' || name === 'labelsHash')
      found[name] = text.slice(nameEnd + 1, end)
    at = end
  }
}
