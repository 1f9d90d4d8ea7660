// What a spreadsheet does to a cell, and how a cell is written so that it does nothing. Pure.
// Read and write are each other's reverse: readCell(guardCell(x)).text is x for every text x.
// Formulas: OWASP, CSV injection (= + - @, tab, carriage return, line feed); ASVS 5.0 item 1.2.10 adds NUL; the
// full-width forms, which some spreadsheets read alike, are from memory.

const FORMULA = /^[=+\-@\t\r\n\0\uFF1D\uFF0B\uFF0D\uFF20]/
/** Blanks of every kind, and what has no width at all: it comes with text that was copied from a page or a chat. */
const INVISIBLE = '\\s\\u00ad\\u180e\\u200b-\\u200f\\u202a-\\u202e\\u2060-\\u2064\\ufeff'
const INVISIBLE_SIGN = new RegExp(`[${INVISIBLE}]`)
/** ="0049" shows as text in a spreadsheet: a common trick of programs that write such files. */
const TEXT_FORMULA = /^="((?:[^"]|"")*)"$/
/** Up to 11 digits without a leading zero stay as they are; longer ones turn into 4.9E+14 (common practice, no source). */
const PLAIN_NUMBER = /^(0|[1-9]\d{0,10})$/
/** Read as number, money, percentage, date, time or negative number in brackets. */
const NUMBER_LIKE = /^[\d.,($€£¥%]/
/** Read as a date: MAR-12, Sept 2, DEC1. */
const DATE_LIKE = /^(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[\s\-/.,]*\d/i
const WORD_LIKE = /^(true|false)$/i
/** #N/A, #REF!, #NAME? …: a spreadsheet had no value; ##### is what a column too narrow leaves in some exports. */
const SPREADSHEET_ERROR = /^#(N\/A|REF!|VALUE!|NAME\?|DIV\/0!|NUM!|NULL!|#+)$/i

const VALUE_SHOWN_MAX = 60

/** Sign by sign from both ends: a pattern for the end would begin anew at every blank inside, and take seconds for many. */
function withoutInvisibleEnds(text: string): string {
  let first = 0
  let end = text.length
  while (first < end && INVISIBLE_SIGN.test(text[first]!)) first += 1
  while (end > first && INVISIBLE_SIGN.test(text[end - 1]!)) end -= 1
  return text.slice(first, end)
}

export interface Cell {
  text: string
  /** The text stood behind an apostrophe or in ="…": it is taken to the letter, blanks at its ends too. */
  literal: boolean
  /** What was done to it that a person should know of; null: nothing. */
  repair: 'apostrophe' | 'text-formula' | null
}

export function readCell(raw: string): Cell {
  const trimmed = withoutInvisibleEnds(raw)
  const formula = TEXT_FORMULA.exec(trimmed)
  if (formula) return { text: formula[1]!.replaceAll('""', '"'), literal: true, repair: 'text-formula' }
  const behind = raw.startsWith("'") ? raw.slice(1) : trimmed.startsWith("'") ? trimmed.slice(1) : null
  if (behind === null) return { text: trimmed, literal: false, repair: null }
  // An apostrophe that had to be there is the form of this house, and no news.
  return { text: behind, literal: true, repair: needsGuard(behind) ? null : 'apostrophe' }
}

/** Whether a spreadsheet would run, round or reword this text, or our own reader would not give it back. */
function needsGuard(text: string): boolean {
  if (text === '') return false
  if (FORMULA.test(text) || DATE_LIKE.test(text) || WORD_LIKE.test(text) || SPREADSHEET_ERROR.test(text)) return true
  if (NUMBER_LIKE.test(text) && !PLAIN_NUMBER.test(text)) return true
  return text.startsWith("'") || withoutInvisibleEnds(text) !== text
}

/** Keeps a text that a spreadsheet would run as a formula a text. For cells that are only looked at. */
export const guardFormula = (text: string): string => (FORMULA.test(text) ? `'${text}` : text)

/** Keeps a text what it is on the way through a spreadsheet and back. For cells that are read again. */
export const guardCell = (text: string): string => (needsGuard(text) ? `'${text}` : text)

export const isSpreadsheetError = (text: string): boolean => SPREADSHEET_ERROR.test(text)

const SEPARATORS = new RegExp(`[${INVISIBLE}\\u2010-\\u2015'"’.,/-]`, 'g')

/**
 * A number that is a name, as people and spreadsheets write it: blanks, dashes and thousands separators inside, a ".0"
 * behind, full-width digits. Text with letters in it stays as it is: 8,9E+14 must not become 8914.
 */
export function bareDigits(text: string): string {
  const plain = text.normalize('NFKC')
  if (/\p{L}/u.test(plain)) return text
  const bare = plain.replace(/^(\d{12,})[.,]0{1,2}$/, '$1').replace(SEPARATORS, '')
  return /^\+?\d+$/.test(bare) ? bare : text
}

/** A value as it is shown in a report: bounded, and without what would break its line. */
export function shortened(text: string): string {
  const plain = text.replace(/[\0-\x1f\x7f]/g, '␣')
  const signs = [...plain.slice(0, 2 * VALUE_SHOWN_MAX)]
  const shown = signs.slice(0, VALUE_SHOWN_MAX).join('')
  return signs.length > VALUE_SHOWN_MAX || plain.length > 2 * VALUE_SHOWN_MAX ? `${shown}…` : shown
}
