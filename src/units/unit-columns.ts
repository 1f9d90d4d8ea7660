// The columns of a list of units, read and written alike. Pure.

/** Our names, each with plain words of the trade for it (common practice, no source). Case, blanks and signs do not count. */
export const UNIT_COLUMNS = {
  imei: ['IMEI number', 'IMEI no'],
  serial: ['serial number', 'serial no', 'S/N', 'SN'],
  model: ['model name', 'model id', 'camera model', 'device model'],
  hardware: ['hardware revision', 'hardware version', 'HW', 'HW version', 'revision'],
  phone: ['phone number', 'MSISDN', 'mobile', 'mobile number', 'SIM number', 'telephone'],
  iccid: ['SIM', 'SIM ICCID', 'SIM card', 'SIM serial', 'SIM card number'],
  groups: ['group', 'group name'],
  timeZone: ['TZ'],
  dataAllowanceBytes: ['data allowance', 'allowance', 'data limit', 'data plan'],
  notes: ['note', 'comment', 'comments', 'remark', 'remarks'],
  retired: ['out of service'],
} as const
export type UnitColumn = keyof typeof UNIT_COLUMNS
export const UNIT_COLUMN_NAMES = Object.keys(UNIT_COLUMNS) as UnitColumn[]

/** An empty cell leaves what is stored; this word takes it away. */
export const CLEAR = '(clear)'

const SEPARATORS = [';', ',', '|', '\n', '\r']

/** `\` in front of a separator, and of blanks at the ends, makes them part of the name. */
export function joinGroups(groups: readonly string[]): string {
  return groups
    .map((name) =>
      [...name]
        .map((sign, index, all) => {
          const isEnd = index === 0 || index === all.length - 1
          return sign === '\\' || SEPARATORS.includes(sign) || (isEnd && sign.trim() === '') ? `\\${sign}` : sign
        })
        .join(''),
    )
    .join('; ')
}

export function splitGroups(text: string): string[] {
  const names: string[] = []
  let name = ''
  /** Up to here the name is to the letter; blanks behind it are not meant. */
  let keptLength = 0
  const finish = () => {
    const whole = name.slice(0, keptLength) + name.slice(keptLength).trimEnd()
    if (whole !== '') names.push(whole)
    name = ''
    keptLength = 0
  }
  const signs = [...text]
  for (let i = 0; i < signs.length; i += 1) {
    const sign = signs[i]!
    if (sign === '\\' && i + 1 < signs.length) {
      i += 1
      name += signs[i]
      keptLength = name.length
    } else if (SEPARATORS.includes(sign)) finish()
    else if (name !== '' || sign.trim() !== '') name += sign
  }
  finish()
  return names
}
