// Whether a text is canonical JSON (RFC 8785) already, found without building its value. It says yes only to the plain part
// of what is canonical: no escapes, whole numbers, little nesting. So yes means yes, and no means nothing. Pure.

/** The entries of this house are three deep. */
const PLAIN_DEPTH_MAX = 16
/** All whole numbers of so many digits are exact, and written as they stand. */
const DIGITS_MAX = 15

/** The whole of the text is one canonical value. */
export const isCanonicalValue = (text: string): boolean => skipCanonicalValue(text, 0, 0) === text.length

/** Where the string that begins at `at` ends; -1 where none begins or it holds what would have to be looked at closer. */
export function skipPlainString(text: string, at: number): number {
  if (text.charCodeAt(at) !== 0x22) return -1
  for (let i = at + 1; i < text.length; i += 1) {
    const code = text.charCodeAt(i)
    if (code === 0x22) return i + 1
    // Control characters and the backslash; halves of pairs, which may stand alone.
    if (code < 0x20 || code === 0x5c || (code >= 0xd800 && code <= 0xdfff)) return -1
  }
  return -1
}

/** Where the value that begins at `at` ends; -1 where it is not plainly canonical. */
export function skipCanonicalValue(text: string, at: number, depth: number): number {
  switch (text.charCodeAt(at)) {
    case 0x22:
      return skipPlainString(text, at)
    case 0x7b:
      return depth < PLAIN_DEPTH_MAX ? skipObject(text, at + 1, depth + 1) : -1
    case 0x5b:
      return depth < PLAIN_DEPTH_MAX ? skipArray(text, at + 1, depth + 1) : -1
    case 0x6e:
      return text.startsWith('null', at) ? at + 4 : -1
    case 0x74:
      return text.startsWith('true', at) ? at + 4 : -1
    case 0x66:
      return text.startsWith('false', at) ? at + 5 : -1
    default:
      return skipWholeNumber(text, at)
  }
}

function skipWholeNumber(text: string, at: number): number {
  let end = at
  for (let code = text.charCodeAt(end); code >= 0x30 && code <= 0x39; code = text.charCodeAt(end)) end += 1
  const digits = end - at
  if (digits === 0 || digits > DIGITS_MAX || (digits > 1 && text.charCodeAt(at) === 0x30)) return -1
  // A fraction or an exponent behind it is met as a sign that ends no value.
  return end
}

/** Names in rising order of their UTF-16 code units (RFC 8785 §3.2.3): then none comes twice. */
function skipObject(text: string, first: number, depth: number): number {
  if (text.charCodeAt(first) === 0x7d) return first + 1
  let before: string | null = null
  for (let at = first; ; at += 1) {
    const nameEnd = skipPlainString(text, at)
    if (nameEnd < 0 || text.charCodeAt(nameEnd) !== 0x3a) return -1
    const name = text.slice(at + 1, nameEnd - 1)
    // Its place in the value is a special one: somebody else shall look at it.
    if (name === '__proto__' || (before !== null && name <= before)) return -1
    before = name
    at = skipCanonicalValue(text, nameEnd + 1, depth)
    if (at < 0) return -1
    const code = text.charCodeAt(at)
    if (code === 0x7d) return at + 1
    if (code !== 0x2c) return -1
  }
}

function skipArray(text: string, first: number, depth: number): number {
  if (text.charCodeAt(first) === 0x5d) return first + 1
  for (let at = first; ; at += 1) {
    at = skipCanonicalValue(text, at, depth)
    if (at < 0) return -1
    const code = text.charCodeAt(at)
    if (code === 0x5d) return at + 1
    if (code !== 0x2c) return -1
  }
}
