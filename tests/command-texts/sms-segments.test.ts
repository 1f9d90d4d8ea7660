import fc from 'fast-check'
import { SegmentedMessage } from 'sms-segments-calculator'
import { describe, expect, it } from 'vitest'
import { gsm7Codes, readAfterAsciiPath } from '../../src/command-texts/gsm7.js'
import { MISFITS_MAX, measureText } from '../../src/command-texts/sms-segments.js'
import { loadVectors } from '../support/vectors.js'

interface Vector {
  id: string
  text: string
  encoding?: string
  units: number
  segments: number
  per_segment: number[]
  gsm7_septet_values_hex?: string
}
interface TableRow {
  code_hex: string
  char: string | null
}
interface Reference {
  basic_table: TableRow[]
  extension_table: Record<string, TableRow>
  table_differences_to_library: { char: string }[]
}
const { vectors, reference } = loadVectors<Vector, { reference: Reference }>('gsm7')
// The pack-* vectors are left out: every channel takes text and packs it itself, so there is no packing here.
const measured = vectors.filter(({ encoding }) => encoding !== undefined)
const hex = (text: string): string => [...text].map((char) => Buffer.from(gsm7Codes(char)!).toString('hex')).join('')

const rows = [...reference.basic_table, ...Object.values(reference.extension_table)]
const alphabet = rows.flatMap(({ char }) => char ?? [])

describe('the alphabet of 3GPP TS 23.038 §6.2.1', () => {
  it.each(rows)('$code_hex $char', ({ code_hex, char }) => {
    if (char !== null) expect(hex(char)).toBe(code_hex)
  })

  it('has these characters and no other', () => {
    expect(alphabet).toHaveLength(127 + 10)
    for (let code = 0; code < 0x10000; code += 1) {
      const char = String.fromCharCode(code)
      if (gsm7Codes(char) !== null) expect(alphabet).toContain(char)
    }
  })
})

describe('characters that a path for ASCII codes changes', () => {
  // Computed from the two tables for the field notes of this project, there marked as measured.
  const CHANGED = {
    _: '§',
    '@': '¡',
    $: '¤',
    '[': 'Ä',
    '\\': 'Ö',
    ']': 'Ñ',
    '^': 'Ü',
    '{': 'ä',
    '|': 'ö',
    '}': 'ñ',
    '~': 'ü',
  }
  it.each(Object.entries(CHANGED))('%s is read as %s', (char, read) => expect(readAfterAsciiPath(char)).toBe(read))

  it('are these, the grave accent, and no other', () => {
    for (let code = 0; code < 0x250; code += 1) {
      const char = String.fromCharCode(code)
      if (!(char in CHANGED) && char !== '`') expect(readAfterAsciiPath(char)).toBeNull()
    }
    expect(readAfterAsciiPath('`')).toBe('¿')
  })
})

describe('measuring a text against TS 23.038 and TS 23.040', () => {
  it.each(measured)('$id', (vector) => {
    const { encoding, units, segments, perSegment, misfits } = measureText(vector.text)
    expect({ encoding, units, segments, per_segment: perSegment }).toEqual({
      encoding: vector.encoding,
      units: vector.units,
      segments: vector.segments,
      per_segment: vector.per_segment,
    })
    expect(misfits.length > 0).toBe(encoding === 'UCS-2')
    if (vector.gsm7_septet_values_hex) expect(hex(vector.text)).toBe(vector.gsm7_septet_values_hex)
  })

  it('names what forced UCS-2, and where', () => {
    expect(measureText('a~“b”📷').misfits).toEqual([
      { char: '“', codePoint: 'U+201C', index: 2 },
      { char: '”', codePoint: 'U+201D', index: 4 },
      { char: '📷', codePoint: 'U+1F4F7', index: 5 },
    ])
    expect(measureText('あ'.repeat(500)).misfits).toHaveLength(MISFITS_MAX)
    expect(measureText('\u001b').misfits).toHaveLength(1) // The escape itself is no character.
  })

  it('never splits a surrogate pair or an escaped one, and loses nothing', () => {
    const text = fc.string({ unit: fc.constantFrom('a', '~', 'あ', '📷'), maxLength: 400 })
    fc.assert(
      fc.property(text, (any) => {
        const { encoding, units, perSegment } = measureText(any)
        const [alone, part] = encoding === 'GSM-7' ? [160, 153] : [70, 67]
        const cost = (char: string) => (encoding === 'GSM-7' ? gsm7Codes(char)!.length : char.length)
        expect(units).toBe([...any].reduce((sum, char) => sum + cost(char), 0))
        expect(perSegment.reduce((sum, one) => sum + one, 0)).toBe(units)
        let at = 0
        const ends = [...any].map((char) => (at += cost(char)))
        let end = 0
        for (const one of perSegment) {
          end += one
          expect(ends).toContain(end)
          expect(one).toBeLessThanOrEqual(perSegment.length === 1 ? alone! : part!)
        }
      }),
    )
  })
})

describe('a second opinion: the npm package sms-segments-calculator', () => {
  // It differs on purpose in two things: an empty text counts as one message there, and characters that a person sees
  // as one (a letter and its combining accent, joined emoji) stay in one part there. So no such text is compared.
  const table = alphabet.filter((char) => !reference.table_differences_to_library.some((row) => row.char === char))
  const sizes = { minLength: 1, maxLength: 500 }
  const texts = fc.oneof(
    fc.string({ unit: fc.constantFrom(...table.filter((char) => char !== '\r')), ...sizes }),
    fc.string({ unit: fc.constantFrom('~', '€', 'x'), ...sizes }),
    fc.string({ unit: fc.constantFrom('x', '~', '`', 'あ', 'ç', '📷', '升'), ...sizes }),
  )
  it('agrees on any other text', () => {
    fc.assert(
      fc.property(texts, (text) => {
        const { encoding, segments, perSegment } = measureText(text)
        const theirs = new SegmentedMessage(text)
        const bits = encoding === 'GSM-7' ? 7 : 16
        expect({ encoding, segments, perSegment }).toEqual({
          encoding: theirs.encodingName,
          segments: theirs.segmentsCount,
          perSegment: theirs.segments.map((segment) => segment.messageSizeInBits() / bits),
        })
      }),
      { numRuns: 300 },
    )
  })
})
