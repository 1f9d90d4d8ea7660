// The GSM 7-bit default alphabet and its extension table (3GPP TS 23.038 §6.2.1 and §6.2.1.1). Pure.
// National language tables are left out: a unit that reads them is not known to be one that asked for them.

export const ESCAPE = 0x1b

/** The place of a character is its code. Code 09 is the capital letter; mapping files after the text of 1999 say small. */
const BASIC =
  '@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\u001bÆæßÉ !"#¤%&\'()*+,-./0123456789:;<=>?' +
  '¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà'

/** Code and character in turn; each is sent as ESCAPE and the code. */
const EXTENSION = ['\u000a\f', '\u0014^', '({', ')}', '/\\', '<[', '=~', '>]', '@|', 'e€']

const CODES = new Map<string, readonly number[]>()
for (let code = 0; code < BASIC.length; code += 1) if (code !== ESCAPE) CODES.set(BASIC[code]!, [code])
for (const pair of EXTENSION) CODES.set(pair[1]!, [ESCAPE, pair.charCodeAt(0)])

/** The one or two septets of a character; null where the alphabet has none for it. */
export function gsm7Codes(character: string): readonly number[] | null {
  return CODES.get(character) ?? null
}

/**
 * What a unit reads where a path hands ASCII codes through as if they were GSM codes: `_` becomes `§`, `@` becomes `¡`.
 * null where the character comes through as it is, or is no printable ASCII.
 */
export function readAfterAsciiPath(character: string): string | null {
  if (!/^[ -~]$/.test(character)) return null
  const read = BASIC[character.charCodeAt(0)]!
  return read === character ? null : read
}
