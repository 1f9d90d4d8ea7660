// Repr-Digest and Content-Digest (RFC 9530), dictionaries of byte sequences (RFC 9651 §3.2, §3.3.5). Pure.

/** Bytes of each digest that we know. Deprecated ones are read, and prove nothing against an attacker. */
const DIGEST_BYTES = { 'sha-256': 32, 'sha-512': 64, sha: 20, md5: 16 } as const
export type DigestAlgorithm = keyof typeof DIGEST_BYTES

/** Two dozen digests fit; what is longer is no digest field. */
export const DIGEST_FIELD_CHARS_MAX = 4096

export type DigestField =
  /** Lower-case hex by algorithm; those that we do not know are left out, as RFC 9530 §2 allows. */
  { ok: true; digests: Partial<Record<DigestAlgorithm, string>> } | { ok: false; detail: string }

const KEY = /[a-z*][a-z0-9_.*-]*/y
const BYTES = /:([A-Za-z0-9+/]*={0,2}):/y
/** RFC 9651 §3.3: numbers, strings, tokens, byte sequences, booleans, dates, display strings. */
const BARE_ITEM =
  /-?\d{1,15}(?:\.\d{1,3})?|%?"(?:[ !#-[\]-~]|\\["\\])*"|[A-Za-z*][!#$%&'*+\-.^_`|~:/0-9A-Za-z]*|:[A-Za-z0-9+/]*={0,2}:|\?[01]|@-?\d{1,15}/y

export function parseDigestField(field: string): DigestField {
  if (field.length > DIGEST_FIELD_CHARS_MAX) return { ok: false, detail: 'The digest field is too long.' }
  const digests: Partial<Record<DigestAlgorithm, string>> = {}
  const text = field.replace(/^ +| +$/g, '')
  let at = 0
  /** What the expression reads here; moves on behind it. */
  const take = (expression: RegExp): RegExpExecArray | null => {
    expression.lastIndex = at
    const found = expression.exec(text)
    if (found) at = expression.lastIndex
    return found
  }
  while (at < text.length) {
    const key = take(KEY)?.[0]
    if (key === undefined) return malformed(at, 'a lower-case algorithm name such as sha-256')
    const value = text[at] === '=' ? take(/=/y) && take(BYTES) : null
    if (!value) return malformed(at, `the digest of ${key} as base64 between colons`)
    const bytes = Buffer.from(value[1]!, 'base64')
    // Node's decoder takes anything; the same text must come back. RFC 9530 prints two = signs in places: misprints.
    if (bytes.toString('base64') !== value[1]) return malformed(at, `${key} in base64 with its right padding`)
    while (take(/; */y)) {
      if (!take(KEY) || (text[at] === '=' && !(take(/=/y) && take(BARE_ITEM)))) return malformed(at, 'a parameter')
    }
    if (isKnown(key)) {
      if (bytes.length !== DIGEST_BYTES[key]) {
        return { ok: false, detail: `A ${key} digest has ${DIGEST_BYTES[key]} bytes, this has ${bytes.length}.` }
      }
      digests[key] = bytes.toString('hex') // Of two with one key the last counts: RFC 9651 §4.2.2.
    }
    if (at < text.length && (!take(/[ \t]*,[ \t]*/y) || at === text.length))
      return malformed(at, 'a comma and another digest')
  }
  return { ok: true, digests }
}

const isKnown = (key: string): key is DigestAlgorithm => Object.hasOwn(DIGEST_BYTES, key)

function malformed(at: number, expected: string): DigestField {
  return { ok: false, detail: `Expected ${expected} at character ${at + 1} of the digest field (RFC 9530).` }
}

export function formatReprDigest(sha256Hex: string): string {
  if (!/^[0-9a-f]{64}$/.test(sha256Hex)) throw new Error('no SHA-256 in lower-case hex')
  return `sha-256=:${Buffer.from(sha256Hex, 'hex').toString('base64')}:`
}
