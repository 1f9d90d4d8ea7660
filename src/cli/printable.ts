// Text for a terminal. What others wrote (notes, user agents, refused values) may hold signs that a terminal obeys: it would
// move the cursor, hide a line, or send back what was typed. Pure.

/**
 * Controls of ECMA-48, in 7 bits (C0, DEL) and in 8 (C1), line feed and tab left out; and the signs that turn the direction
 * of what follows (Unicode UAX #9, embeddings, overrides and isolates), by which a text shows as another one.
 */
const OBEYED = /[\0-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]/g

export const printable = (text: string): string => text.replace(OBEYED, '\ufffd')

/** The same for what has to stay in its line or column. */
export const printableInLine = (text: string): string => printable(text).replace(/[\n\t\u2028\u2029]+/g, ' ')
