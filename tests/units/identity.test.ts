import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { checkIccid, checkImei, checkPhone, checkSerial, luhnDigit } from '../../src/units/identity.js'
import { intendedDifferences, loadVectors } from '../support/vectors.js'

interface Vector {
  id: string
  kind: 'imei' | 'imei_pair' | 'imeisv' | 'iccid' | 'e164'
  text?: string
  texts?: string[]
  body14?: string
  body?: string
  check_digit?: string
  imei?: string
  iccid?: string
  imei_of_same_unit?: string
  expect: string
}
const { vectors } = loadVectors<Vector>('imei')
const differing = intendedDifferences('imei')
const of = (...kinds: string[]) => vectors.filter(({ kind }) => kinds.includes(kind))

describe('identities against 3GPP TS 23.003, ITU-T E.118 and E.164', () => {
  it.each(of('imei'))('$id', (vector) => {
    if (vector.body14) expect(luhnDigit(vector.body14)).toBe(vector.check_digit)
    // "passes Luhn" is the row of zeros, which a rule of its own refuses.
    if (vector.expect === 'passes Luhn') {
      expect(luhnDigit(vector.text!.slice(0, -1))).toBe('0')
      expect(checkImei(vector.text!)).toMatchObject({ ok: false, code: 'imei-zeros' })
    } else expect(checkImei(vector.imei ?? vector.text!).ok).toBe(vector.expect === 'valid')
  })

  it.each(of('imei_pair'))('$id', ({ texts }) => {
    for (const text of texts!) expect(checkImei(text)).toEqual({ ok: true, value: text })
  })

  it.each(of('imeisv'))('$id is no key of a unit, and the IMEI is named', ({ text, imei_of_same_unit }) => {
    const result = checkImei(text!)
    expect(result).toMatchObject({ ok: false, code: 'imei-imeisv' })
    if (imei_of_same_unit) expect(result).toMatchObject({ detail: expect.stringContaining(imei_of_same_unit) })
  })

  it.each(of('iccid'))('$id', (vector) => {
    if (vector.body) expect(luhnDigit(vector.body)).toBe(vector.check_digit)
    expect(checkIccid(vector.iccid ?? vector.text!).ok).toBe(vector.expect !== 'invalid')
  })

  it.each(of('e164'))('$id', ({ id, text, expect: expected }) => {
    expect(checkPhone(text!).ok).toBe((expected === 'valid') !== differing.has(id))
  })
})

describe('an IMEI', () => {
  const bodies = fc.stringMatching(/^[1-9][0-9]{13}$/)

  const refused: [string, string][] = [
    ['', 'imei-empty'],
    ['8.9E+14', 'imei-exponent'],
    ['8,90123E14', 'imei-exponent'],
    ['49015420323751A', 'imei-digits'],
    [' 490154203237518', 'imei-digits'],
    ['490154203237518\n', 'imei-digits'],
    ['490154203237518.0', 'imei-digits'],
    ['٤٩٠١٥٤٢٠٣٢٣٧٥١٨', 'imei-digits'], // Digits of another script: U+0660 and on.
    ['49015420323751', 'imei-length'],
    ['12345678901237', 'imei-length'], // The leading zero was lost.
    ['49015420323751812', 'imei-length'],
    ['3520990017614823', 'imei-imeisv'],
    ['0000000000000000', 'imei-zeros'],
    ['490154203237519', 'imei-check-digit'],
    ['490154203237510', 'imei-check-digit'],
  ]
  it.each(refused)('"%s" is refused: %s', (text, code) => {
    const result = checkImei(text)
    expect(result).toMatchObject({ ok: false, code })
    expect(result).toMatchObject({ detail: expect.stringMatching(/^[A-Z0-9].{8,}[.?]$/) })
  })

  it('that was reported without its digit, or with zero in its place, is named whole', () => {
    for (const text of ['49015420323751', '490154203237510']) {
      expect(checkImei(text)).toMatchObject({ detail: expect.stringContaining('490154203237518') })
    }
  })

  it('with any one digit changed is found out, and two neighbours exchanged unless they are 0 and 9', () => {
    fc.assert(
      fc.property(bodies, fc.nat(14), fc.integer({ min: 1, max: 9 }), (body, at, by) => {
        const imei = body + luhnDigit(body)
        expect(checkImei(imei).ok).toBe(true)
        const digit = (Number(imei[at]) + by) % 10
        expect(checkImei(imei.slice(0, at) + digit + imei.slice(at + 1)).ok).toBe(false)
        if (at === 14 || imei[at] === imei[at + 1]) return
        const pair = imei[at]! + imei[at + 1]!
        const swapped = imei.slice(0, at) + pair[1] + pair[0] + imei.slice(at + 2)
        expect(checkImei(swapped).ok).toBe(pair === '09' || pair === '90')
      }),
    )
  })
})

describe('an ICCID', () => {
  it('loses one filler F behind 19 digits, and no other', () => {
    const value = '8944110000000000008'
    expect(checkIccid(`${value}F`)).toEqual({ ok: true, value })
    expect(checkIccid(`${value}f`)).toEqual({ ok: true, value })
    for (const text of [`${value}FF`, '89860123456789012348F', `F${value}`]) {
      expect(checkIccid(text)).toMatchObject({ ok: false, code: 'iccid-digits' })
    }
  })
  const refused: [string, string][] = [
    ['', 'iccid-empty'],
    ['8.94411E+18', 'iccid-exponent'],
    ['894411000000000000', 'iccid-length'],
    ['894411000000000000812', 'iccid-length'],
    ['7944110000000000000', 'iccid-prefix'],
    ['8944110000000000009', 'iccid-check-digit'],
    ['8944110000000001000', 'iccid-check-digit'],
  ]
  it.each(refused)('"%s" is refused: %s', (text, code) => expect(checkIccid(text)).toMatchObject({ ok: false, code }))
})

describe('a phone number', () => {
  it('is kept without the blanks and dashes of its printed form', () => {
    for (const text of ['+44 1632 960961', '+44-1632-960-961', '\u00a0+44\u20111632\u2009960961 ']) {
      expect(checkPhone(text)).toEqual({ ok: true, value: '+441632960961' })
    }
  })
  const refused: [string, string][] = [
    ['', 'phone-empty'],
    ['  ', 'phone-empty'],
    ['+', 'phone-length'],
    ['01632960961', 'phone-plus'],
    ['00441632960961', 'phone-plus'],
    ['+0441632960961', 'phone-zero'],
    ['+44 (0)1632 960961', 'phone-digits'], // Taking the brackets out would leave a zero too many.
    ['++441632960961', 'phone-digits'],
    ['+44.1632', 'phone-digits'],
    ['4.41633E+11', 'phone-exponent'],
    ['+123456', 'phone-length'],
    ['+1234567890123456', 'phone-length'],
  ]
  it.each(refused)('"%s" is refused: %s', (text, code) => expect(checkPhone(text)).toMatchObject({ ok: false, code }))
  it('has 7 to 15 digits', () => {
    for (const text of ['+1234567', '+123456789012345']) expect(checkPhone(text)).toEqual({ ok: true, value: text })
  })
})

describe('a serial number', () => {
  it('is 1 to 64 printable ASCII characters, blanks inside included', () => {
    for (const text of ['A', 'SN 00-17/b', '~'.repeat(64)]) expect(checkSerial(text)).toEqual({ ok: true, value: text })
  })
  const refused: [string, string][] = [
    ['', 'serial-empty'],
    ['x'.repeat(65), 'serial-length'],
    ['SN\u00a01', 'serial-characters'],
    ['SN\t1', 'serial-characters'],
    ['SN–1', 'serial-characters'],
    [' SN1', 'serial-blank-ends'],
    ['SN1 ', 'serial-blank-ends'],
  ]
  it.each(refused)('"%s" is refused: %s', (text, code) => expect(checkSerial(text)).toMatchObject({ ok: false, code }))
})
