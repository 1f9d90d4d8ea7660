import { createHash } from 'node:crypto'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { canonicalJson, NESTING_MAX } from '../../src/audit/canonical-json.js'
import { loadVectors } from '../support/vectors.js'

interface Vector {
  id: string
  input_json_text?: string | null
  ieee754_hex?: string
  canonical?: string
  canonical_utf8_hex?: string
  sha256_of_canonical_hex?: string
  expect?: 'error'
}
const { vectors } = loadVectors<Vector>('jcs')
const texts = vectors.filter((v) => v.canonical_utf8_hex !== undefined)
const numbers = vectors.filter((v) => v.ieee754_hex !== undefined)
const refused = vectors.filter((v) => v.expect === 'error' && typeof v.input_json_text === 'string')

describe('canonical JSON against RFC 8785', () => {
  it('covers every vector: values, numbers, refusals, and the two that JSON text cannot hold', () => {
    expect(texts.length + numbers.length + refused.length + 2).toBe(vectors.length)
  })

  it.each(texts)('$id', (vector) => {
    const bytes = Buffer.from(canonicalJson(JSON.parse(vector.input_json_text!)))
    expect(bytes.toString('hex')).toBe(vector.canonical_utf8_hex)
    const sha256 = createHash('sha256').update(bytes).digest('hex')
    if (vector.sha256_of_canonical_hex) expect(sha256).toBe(vector.sha256_of_canonical_hex)
  })

  it.each(numbers)('$id', ({ ieee754_hex, canonical }) => {
    expect(canonicalJson(Buffer.from(ieee754_hex!, 'hex').readDoubleBE())).toBe(canonical)
  })

  it.each(refused)('$id is refused', ({ input_json_text }) => {
    expect(() => canonicalJson(JSON.parse(input_json_text!))).toThrow(TypeError)
  })

  it('writes minus zero as 0 (RFC 8785 appendix B, 8000000000000000)', () => {
    expect(canonicalJson(-0)).toBe('0')
  })
})

describe('what has no place in JSON', () => {
  const nested = (depth: number): unknown => (depth === 0 ? 1 : [nested(depth - 1)])
  const circle: unknown[] = []
  circle.push(circle)
  const values: [string, unknown][] = [
    ['NaN', Number.NaN],
    ['Infinity', Number.POSITIVE_INFINITY],
    ['-Infinity', Number.NEGATIVE_INFINITY],
    ['undefined', undefined],
    ['a function', () => 1],
    ['a bigint', 1n],
    ['a symbol', Symbol('s')],
    ['a date', new Date(0)],
    ['a map', new Map()],
    ['bytes', Buffer.from('a')],
    ['the first half of a pair', '\ud83d'],
    ['the second half of a pair', 'a\ude00b'],
    ['halves in the wrong order', '\ude00\ud83d'],
    ['a hole', new Array(2)],
    ['a symbol as a name', { [Symbol('s')]: 1 }],
    ['half a pair as a name', { '\ud83d': 1 }],
    ['a value that contains itself', circle],
    ['too deep a nesting', nested(NESTING_MAX + 1)],
  ]
  it.each(values)('%s is refused, alone and inside', (_name, value) => {
    expect(() => canonicalJson(value)).toThrow(TypeError)
    expect(() => canonicalJson({ a: [1, value] })).toThrow(TypeError)
  })

  it('takes nesting up to the limit, pairs, and objects without a prototype', () => {
    expect(canonicalJson(nested(NESTING_MAX))).toMatch(/^\[+1\]+$/)
    expect(canonicalJson(Object.assign(Object.create(null), { a: '\ud83d\ude00' }))).toBe('{"a":"\ud83d\ude00"}')
    expect(canonicalJson(JSON.parse('{"__proto__":1,"a":2}'))).toBe('{"__proto__":1,"a":2}')
  })
})

describe('canonical JSON of any value', () => {
  const text = fc.string({ unit: 'grapheme' })
  const { value } = fc.letrec((tie) => ({
    value: fc.oneof(
      { maxDepth: 4 },
      fc.constant(null),
      fc.boolean(),
      fc.double({ noNaN: true, noDefaultInfinity: true }),
      fc.integer(),
      text,
      fc.array(tie('value'), { maxLength: 4 }),
      fc.array(fc.tuple(text, tie('value')), { maxLength: 4 }).map((members) => Object.fromEntries(members)),
    ),
  }))

  it('is the same after reading it back', () => {
    fc.assert(
      fc.property(value, (any) => {
        const once = canonicalJson(any)
        expect(canonicalJson(JSON.parse(once))).toBe(once)
      }),
    )
  })

  it('does not depend on the order of members', () => {
    const members = fc.uniqueArray(fc.tuple(text, value), { selector: ([name]) => name, maxLength: 6 })
    const orders = members.chain((list) =>
      fc.tuple(fc.constant(list), fc.shuffledSubarray(list, { minLength: list.length })),
    )
    fc.assert(
      fc.property(orders, ([one, other]) => {
        expect(canonicalJson(Object.fromEntries(one))).toBe(canonicalJson(Object.fromEntries(other)))
      }),
    )
  })
})
