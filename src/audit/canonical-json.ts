// RFC 8785 (JSON Canonicalization Scheme): one text for one value, so that a hash over it means something. Pure.
// It refuses what I-JSON (RFC 7493) has no place for instead of writing something near it.

/** Deeper values are refused: it bounds the stack, and it is what a value that contains itself runs into. */
export const NESTING_MAX = 200

/** With the u flag a pair is one character of its own, so only halves that stand alone match. */
const LONE_SURROGATE = /[\ud800-\udfff]/u

/** Throws TypeError for NaN, infinities, lone surrogates, and everything that is no plain JSON value at any depth. */
export function canonicalJson(value: unknown): string {
  return write(value, 0)
}

function write(value: unknown, depth: number): string {
  if (typeof value === 'string') return writeString(value)
  if (value === null) return 'null'
  if (typeof value === 'number') {
    if (!Number.isFinite(value)) throw new TypeError(`${value} has no place in JSON`)
    return String(value) // ECMAScript's own form is the one that RFC 8785 §3.2.2.3 asks for; -0 becomes 0.
  }
  if (typeof value === 'boolean') return value ? 'true' : 'false'
  if (typeof value !== 'object') throw new TypeError(`${typeof value} has no place in JSON`)
  if (depth >= NESTING_MAX) throw new TypeError(`JSON nested deeper than ${NESTING_MAX}`)
  return Array.isArray(value) ? writeArray(value, depth + 1) : writeObject(value, depth + 1)
}

function writeArray(items: unknown[], depth: number): string {
  let text = ''
  // By index, not by iterator: a hole is then met as undefined, and refused.
  for (let i = 0; i < items.length; i += 1) text += i === 0 ? write(items[i], depth) : `,${write(items[i], depth)}`
  return `[${text}]`
}

function writeObject(object: object, depth: number): string {
  const prototype = Object.getPrototypeOf(object)
  if (prototype !== Object.prototype && prototype !== null)
    throw new TypeError('only plain objects have a place in JSON')
  if (Object.getOwnPropertySymbols(object).length > 0) throw new TypeError('a symbol has no place in JSON')
  // The default sort compares UTF-16 code units, which is the order of RFC 8785 §3.2.3.
  const names = Object.keys(object).sort()
  let text = ''
  for (const name of names) {
    const member = `${writeString(name)}:${write((object as Record<string, unknown>)[name], depth)}`
    text += text === '' ? member : `,${member}`
  }
  return `{${text}}`
}

/** Printable ASCII without the quotation mark and the backslash: stands for itself, which is nearly every text here. */
const PLAIN = /^[ !#-[\]-~]*$/

export function writeString(text: string): string {
  if (PLAIN.test(text)) return `"${text}"`
  if (LONE_SURROGATE.test(text)) throw new TypeError('a lone surrogate has no place in JSON')
  return JSON.stringify(text) // Escapes exactly what §3.2.2.2 wants escaped, in lower-case hex.
}
