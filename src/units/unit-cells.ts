// One cell of a list of units becomes a value, or a fault that says what to do. Pure. Repairs only what is certain, and
// says so; what could mean two things is refused.
import { type CountryCode, isSupportedCountry, parsePhoneNumberFromString } from 'libphonenumber-js'
import { bareDigits } from '../csv/cell.js'
import { checkIccid, checkImei, checkPhone, checkSerial, type IdentityResult, luhnDigit } from './identity.js'
import { GROUP_NAME_MAX, GROUPS_MAX, HARDWARE_MAX, isTimeZone, NOTES_MAX, TIME_ZONE_MAX } from './unit.js'
import { splitGroups, type UnitColumn } from './unit-columns.js'

export interface CellNote {
  code: string
  detail: string
}
export type CellResult<T = unknown> = { value: T; cautions: CellNote[] } | { fault: CellNote }

export interface CellContext {
  /** Ids of all models. */
  models: ReadonlySet<string>
  /** For phone numbers in their national form; null: none may be. */
  region: CountryCode | null
}

const took = <T>(value: T, ...cautions: CellNote[]): CellResult<T> => ({ value, cautions })
const refuse = (code: string, detail: string): { fault: CellNote } => ({ fault: { code, detail } })
const repaired = (from: string, to: string): CellNote[] =>
  from === to
    ? []
    : [{ code: 'cell-repaired', detail: `Read as ${to}: signs that do not belong to it were taken out.` }]

const toCell = (result: IdentityResult, cautions: CellNote[] = []): CellResult<string> =>
  result.ok ? { value: result.value, cautions } : { fault: { code: result.code, detail: result.detail } }

const IMEI_DIGITS = 15
const passesLuhn = (digits: string): boolean => luhnDigit(digits.slice(0, -1)) === digits.at(-1)
export const looksLikeImei = (text: string): boolean => /^\d{15}$/.test(text) && checkImei(text).ok

function readImei(text: string): CellResult<string> {
  const digits = bareDigits(text)
  const cautions = repaired(text, digits)
  const result = checkImei(digits)
  if (result.ok) return took(result.value, ...cautions)
  if (result.code === 'imei-imeisv') {
    // 3GPP TS 23.003 §6.2.2: no check digit, so nothing tells whether a digit was mistyped.
    const imei = digits.slice(0, 14) + luhnDigit(digits.slice(0, 14))
    const detail = `16 digits are an IMEISV, which has no check digit: a mistyped digit would not show. Taken as the IMEI ${imei}; compare it with the label.`
    return took(imei, ...cautions, { code: 'imeisv-cut', detail })
  }
  if (result.code === 'imei-check-digit' && digits.endsWith('0')) {
    const whole = digits.slice(0, 14) + luhnDigit(digits.slice(0, 14))
    const detail = `The check digit is wrong and the last digit is 0: a spreadsheet or a module put it there in the place of the true one. If the other digits are right, the IMEI is ${whole}: compare it with the label.`
    return refuse('imei-digit-lost', detail)
  }
  if (result.code === 'imei-digits' && /[\p{L}]/u.test(text)) {
    return refuse('imei-digits', `${result.detail} Is it a serial number? Then put it into the column serial.`)
  }
  if (/^\d{10,14}$/.test(digits)) {
    const padded = digits.padStart(IMEI_DIGITS, '0')
    if (passesLuhn(padded)) {
      const other = digits.length === 14 ? `, or an IMEI without its check digit, ${digits}${luhnDigit(digits)}` : ''
      const detail = `${digits.length} digits: a spreadsheet took the zeros from its front. It is ${padded}${other}: compare it with the label, and format the column as text.`
      return refuse('imei-zeros-lost', detail)
    }
  }
  return toCell(result)
}

function readIccid(text: string): CellResult<string> {
  const filled = /^(.*\d)[fF]$/.exec(text)
  const digits = filled ? bareDigits(filled[1]!) : bareDigits(text)
  const result = checkIccid(digits)
  if (!result.ok && result.code === 'iccid-check-digit' && /0{3,}$/.test(digits)) {
    return refuse('iccid-digits-lost', result.detail)
  }
  return toCell(result, [...repaired(filled ? filled[1]! : text, digits), ...perhapsRounded(digits)])
}

/**
 * One rounded number in ten has the right check digit by chance. A spreadsheet keeps 15 digits (IEEE 754), so 19 or 20 of
 * them end in four zeros or more; of true ones one in ten thousand does.
 */
function perhapsRounded(digits: string): CellNote[] {
  if (!/0{4,}$/.test(digits)) return []
  const detail = 'It ends in zeros, as a spreadsheet rounds it: compare it with the SIM.'
  return [{ code: 'iccid-perhaps-rounded', detail }]
}

/** ITU-T E.164; blanks, dashes, brackets and dots are the printed form (E.123). */
function readPhone(text: string, region: CountryCode | null): CellResult<string> {
  const compact = /\p{L}/u.test(text) ? text : text.normalize('NFKC').replace(/[()./\u200b-\u200f\u2060\ufeff]/g, '')
  const result = checkPhone(compact)
  if (result.ok) {
    const cautions: CellNote[] = []
    if (!parsePhoneNumberFromString(result.value)?.isPossible()) {
      const detail = 'No country has a number of this length with this beginning: compare it with the SIM.'
      cautions.push({ code: 'phone-unlikely', detail })
    }
    return took(result.value, ...cautions)
  }
  if (result.code !== 'phone-plus') return toCell(result)
  if (region === null) {
    const detail = `${result.detail} If all numbers of the list are of one country, name their region with it, for example GB.`
    return refuse('phone-plus', detail)
  }
  const national = parsePhoneNumberFromString(compact, region)
  if (!national?.isPossible())
    return refuse('phone-region', `This is no number of the region ${region}: write it with + and the country code.`)
  return toCell(checkPhone(national.number))
}

export const readRegion = (text: string): CountryCode | null => {
  const region = text.toUpperCase()
  return isSupportedCountry(region) ? region : null
}

const YES = ['yes', 'y', 'true', '1', 'x', 'wahr', 'vrai', 'retired']
const NO = ['no', 'n', 'false', '0', 'falsch', 'faux']

function readRetired(text: string): CellResult<boolean> {
  const word = text.toLowerCase()
  if (YES.includes(word)) return took(true)
  if (NO.includes(word)) return took(false)
  return refuse('retired-unknown', 'Write yes for a unit that is out of service, no for one that is in use.')
}

const UNIT_BYTES: Record<string, number> = {
  '': 1,
  b: 1,
  byte: 1,
  bytes: 1,
  kb: 1e3,
  mb: 1e6,
  gb: 1e9,
  tb: 1e12,
  kib: 1024,
  mib: 1024 ** 2,
  gib: 1024 ** 3,
}

/** 500000000, 500 MB, 1.5 GB, 1,5 GiB. Decimal units are powers of 1,000, binary ones (KiB) of 1,024: IEC 80000-13. */
function readAllowance(text: string): CellResult<number> {
  const match = /^(\d+)(?:([.,])(\d+))?\s*([a-z]*)$/i.exec(text.replace(/[\u00a0\u202f]/g, ' '))
  const factor = match ? UNIT_BYTES[match[4]!.toLowerCase()] : undefined
  if (!match || factor === undefined) {
    return refuse('allowance-unknown', 'Write a number of bytes, or a number with kB, MB, GB, KiB, MiB or GiB: 500 MB.')
  }
  const [, whole, separator, fraction = ''] = match
  if (separator !== undefined && fraction.length === 3) {
    const detail = `${whole}${separator}${fraction} may be a thousand or a fraction: write it without the ${separator === ',' ? 'comma' : 'dot'}.`
    return refuse('allowance-ambiguous', detail)
  }
  const bytes = Math.round(Number(`${whole}.${fraction || '0'}`) * factor)
  if (!Number.isSafeInteger(bytes)) return refuse('allowance-unknown', 'This is more than any SIM has: correct it.')
  return took(bytes)
}

function readModel(text: string, models: ReadonlySet<string>): CellResult<string> {
  if (models.has(text)) return took(text)
  const near = [...models].find(
    (id) => id.toLowerCase().replace(/[\s_-]/g, '') === text.toLowerCase().replace(/[\s_-]/g, ''),
  )
  const known = [...models].slice(0, 10).join(', ') || 'none yet'
  const detail = near
    ? `There is no model of this name: write ${near}.`
    : `There is no model of this name. Add its profile first, or write one of those known: ${known}.`
  return refuse('model-unknown', detail)
}

/** Time zones repeat in every row, and asking costs: the names seen last. */
const ZONES_MAX = 500
const zones = new Map<string, boolean>()
function readTimeZone(text: string): CellResult<string> {
  let known = zones.get(text)
  if (known === undefined) {
    known = text.length <= TIME_ZONE_MAX && isTimeZone(text)
    if (zones.size >= ZONES_MAX) zones.clear()
    zones.set(text, known)
  }
  if (known) return took(text)
  return refuse('time-zone-unknown', 'Write a name of the IANA time zone database, for example Europe/Berlin or UTC.')
}

const bounded =
  (column: string, max: number) =>
  (text: string): CellResult<string> => {
    if (text.length > max)
      return refuse(`${column}-length`, `At most ${max} characters, this has ${text.length}: shorten it.`)
    const cautions: CellNote[] = []
    if (text.includes('\ufffd')) {
      const detail = 'A program on the way replaced characters that it could not read: type them again.'
      cautions.push({ code: 'characters-lost', detail })
    }
    return took(text, ...cautions)
  }
const readHardware = bounded('hardware', HARDWARE_MAX)
const readNotes = bounded('notes', NOTES_MAX)

function readGroups(text: string): CellResult<string[]> {
  const groups = splitGroups(text)
  if (groups.length > GROUPS_MAX)
    return refuse('groups-count', `At most ${GROUPS_MAX} groups, this has ${groups.length}.`)
  const long = groups.find((name) => name.length > GROUP_NAME_MAX)
  if (long !== undefined)
    return refuse('group-length', `A group name has at most ${GROUP_NAME_MAX} characters. Separate groups by ; , or |.`)
  return took(groups)
}

export function readUnitCell(column: UnitColumn, text: string, context: CellContext): CellResult {
  switch (column) {
    case 'imei':
      return readImei(text)
    case 'serial':
      return toCell(checkSerial(text))
    case 'model':
      return readModel(text, context.models)
    case 'hardware':
      return readHardware(text)
    case 'phone':
      return readPhone(text, context.region)
    case 'iccid':
      return readIccid(text)
    case 'groups':
      return readGroups(text)
    case 'timeZone':
      return readTimeZone(text)
    case 'dataAllowanceBytes':
      return readAllowance(text)
    case 'notes':
      return readNotes(text)
    case 'retired':
      return readRetired(text)
  }
}
