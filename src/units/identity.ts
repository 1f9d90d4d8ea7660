// What a unit and its SIM are called by: IMEI, ICCID, phone number, serial number. Pure; takes text, never numbers,
// and strips nothing but what is said here: a file import trims its own fields.
// IMEI: 3GPP TS 23.003 §6.2 and annex B. ICCID: ITU-T E.118. Phone: ITU-T E.164. From memory, checked by vectors.

export type IdentityCode =
  | `${'imei' | 'iccid' | 'phone'}-${'empty' | 'exponent' | 'digits' | 'length'}`
  | `${'imei' | 'iccid'}-check-digit`
  | 'imei-zeros'
  | 'imei-imeisv'
  | 'iccid-prefix'
  | 'phone-plus'
  | 'phone-zero'
  | 'serial-empty'
  | 'serial-length'
  | 'serial-characters'
  | 'serial-blank-ends'

/** `detail` says what to do, to the person who typed or imported it. */
export type IdentityResult = { ok: true; value: string } | { ok: false; code: IdentityCode; detail: string }

const IMEI_DIGITS = 15
const IMEISV_DIGITS = 16
const TAC_AND_SERIAL_DIGITS = 14
const PHONE_DIGITS_MIN = 7 // Common practice, no source: shorter numbers are short codes, which no SIM has.
const PHONE_DIGITS_MAX = 15 // E.164 §6.
const SERIAL_CHARS_MAX = 64

/** 8.9E+14, 8,9E+14: what a spreadsheet makes of a long number. */
const EXPONENT = /^\d+([.,]\d+)?[eE]\+?\d+$/
const PRINTABLE_ASCII = /^[ -~]*$/

/** The digit that makes a row of digits pass (ISO/IEC 7812-1 annex B): every second one from the right counts double. */
export function luhnDigit(digits: string): string {
  let sum = 0
  for (let i = 0; i < digits.length; i += 1) {
    const digit = Number(digits[digits.length - 1 - i])
    const doubled = i % 2 === 0 ? digit * 2 : digit
    sum += doubled > 9 ? doubled - 9 : doubled
  }
  return String((10 - (sum % 10)) % 10)
}

const passesLuhn = (digits: string): boolean => luhnDigit(digits.slice(0, -1)) === digits.at(-1)

const fault = (code: IdentityCode, detail: string): IdentityResult => ({ ok: false, code, detail })

/** The faults that all rows of digits share. */
function digitFault(kind: 'imei' | 'iccid' | 'phone', name: string, text: string): IdentityResult | null {
  if (text === '') return fault(`${kind}-empty`, `Give the ${name}.`)
  if (EXPONENT.test(text)) {
    const detail = `A spreadsheet turned the ${name} into ${text.slice(0, 20)} and lost its last digits. Format the column as text and copy the ${name} anew from its source.`
    return fault(`${kind}-exponent`, detail)
  }
  return /^[0-9]+$/.test(text) ? null : fault(`${kind}-digits`, `The ${name} may hold the digits 0 to 9 only.`)
}

/**
 * A matching check digit proves little: Luhn does not see 09 and 90 exchanged, and all zeros pass, which a blank module
 * reports; hence the rule of its own.
 */
export function checkImei(text: string): IdentityResult {
  const wrong = digitFault('imei', 'IMEI', text)
  if (wrong) return wrong
  if (/^0+$/.test(text)) return fault('imei-zeros', 'An IMEI of zeros is what a blank module reports. Read the label.')
  const body = text.slice(0, TAC_AND_SERIAL_DIGITS)
  const whole = body + luhnDigit(body)
  if (text.length === IMEISV_DIGITS) {
    const detail = `16 digits are an IMEISV: its last two change with each update. The IMEI of the same unit is ${whole}; compare it with the label.`
    return fault('imei-imeisv', detail)
  }
  if (text.length === TAC_AND_SERIAL_DIGITS) {
    return fault(
      'imei-length',
      `14 digits are an IMEI without its check digit. With it: ${whole}; compare with the label.`,
    )
  }
  if (text.length !== IMEI_DIGITS) {
    return fault(
      'imei-length',
      `An IMEI has 15 digits, this has ${text.length}. Were leading zeros lost in a spreadsheet?`,
    )
  }
  if (!passesLuhn(text)) {
    // On the air interface a zero stands in the place of the check digit, and some modules report it so.
    const detail = text.endsWith('0')
      ? `The check digit is wrong. If a module reported this, zero may stand for it: then the IMEI is ${whole}. Compare with the label.`
      : 'The check digit is wrong: a digit was mistyped or misread. Read the label again.'
    return fault('imei-check-digit', detail)
  }
  return { ok: true, value: text }
}

/** 19 or 20 digits. A file of 10 bytes holds 20, so a reader may hand over 19 and the filler F: it is taken off. */
export function checkIccid(text: string): IdentityResult {
  const digits = /^[0-9]{19}[fF]$/.test(text) ? text.slice(0, -1) : text
  const wrong = digitFault('iccid', 'ICCID', digits)
  if (wrong) return wrong
  if (digits.length !== 19 && digits.length !== 20) {
    return fault('iccid-length', `An ICCID has 19 or 20 digits, this has ${digits.length}. Read it from the SIM card.`)
  }
  if (!digits.startsWith('89'))
    return fault('iccid-prefix', 'An ICCID begins with 89. Is this another number of the SIM?')
  if (!passesLuhn(digits)) {
    const detail = digits.endsWith('000')
      ? 'The check digit is wrong, and zeros at the end mean that a spreadsheet rounded the number. Copy it anew, as text.'
      : 'The check digit is wrong: a digit was mistyped or misread. Read it from the SIM card again.'
    return fault('iccid-check-digit', detail)
  }
  return { ok: true, value: digits }
}

/** `+` and digits; blanks and dashes of the printed form (ITU-T E.123) are taken out first. */
export function checkPhone(text: string): IdentityResult {
  const compact = text.replace(/[\s\u2010-\u2015-]/g, '')
  const digits = compact.startsWith('+') ? compact.slice(1) : compact
  if (compact === '+') return fault('phone-length', 'Give the digits after the +.')
  const wrong = digitFault('phone', 'phone number', digits)
  if (wrong) return wrong
  if (digits === compact) {
    const detail = digits.startsWith('00')
      ? `Write + in the place of 00: +${digits.slice(2)}.`
      : 'Begin with + and the country code: without them the number is not the same in every network.'
    return fault('phone-plus', detail)
  }
  if (digits.startsWith('0'))
    return fault('phone-zero', 'No country code begins with 0: write the country code after the +.')
  if (digits.length < PHONE_DIGITS_MIN || digits.length > PHONE_DIGITS_MAX) {
    const detail = `A phone number has ${PHONE_DIGITS_MIN} to ${PHONE_DIGITS_MAX} digits with its country code, this has ${digits.length}.`
    return fault('phone-length', detail)
  }
  return { ok: true, value: compact }
}

export function checkSerial(text: string): IdentityResult {
  if (text === '') return fault('serial-empty', 'Give the serial number.')
  if (text.length > SERIAL_CHARS_MAX) {
    return fault(
      'serial-length',
      `A serial number has at most ${SERIAL_CHARS_MAX} characters, this has ${text.length}.`,
    )
  }
  if (!PRINTABLE_ASCII.test(text)) {
    return fault(
      'serial-characters',
      'A serial number may hold printable ASCII characters only. Type it from the label.',
    )
  }
  if (text.startsWith(' ') || text.endsWith(' ')) {
    return fault('serial-blank-ends', 'Take off the blanks before and after the serial number.')
  }
  return { ok: true, value: text }
}
