import { createHash } from 'node:crypto'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { DIGEST_FIELD_CHARS_MAX, formatReprDigest, parseDigestField } from '../../src/packages/digest-field.js'
import { loadVectors } from '../support/vectors.js'

interface Vector {
  id: string
  content_digest?: string
  repr_digest?: string
  body_utf8?: string
  encoded_body_hex?: string
  representation?: { body_utf8: string }
  response?: { body_utf8?: string }
  algorithm_key?: string
  value?: string
  field_value?: string
}
const { vectors } = loadVectors<Vector>('digest-fields')
const hexOf = (algorithm: string, body: string | Buffer) => createHash(algorithm).update(body).digest('hex')
const NAMES: Record<string, string> = { 'sha-256': 'sha256', 'sha-512': 'sha512', md5: 'md5', sha: 'sha1' }

// The want-* vectors are left out: Want-Repr-Digest is a hint that we do not act on. What a response carries on 206,
// HEAD and errors is checked where the responses are made.
describe('digest fields against RFC 9530', () => {
  it.each(vectors.filter((v) => v.repr_digest !== undefined && !v.id.startsWith('derived')))('$id', (vector) => {
    const { representation, response, encoded_body_hex, body_utf8 } = vector
    const coded = encoded_body_hex === undefined ? undefined : Buffer.from(encoded_body_hex, 'hex')
    const body = coded ?? representation?.body_utf8 ?? body_utf8 ?? response?.body_utf8
    const parsed = parseDigestField(vector.repr_digest!)
    if (!parsed.ok) throw new Error(parsed.detail)
    const [algorithm, hex] = Object.entries(parsed.digests)[0]!
    expect(hex).toBe(hexOf(NAMES[algorithm]!, body!))
    if (algorithm === 'sha-256') expect(formatReprDigest(hex)).toBe(vector.repr_digest)
  })

  it.each(vectors.filter((v) => v.content_digest !== undefined))(
    '$id, Content-Digest',
    ({ content_digest, response }) => {
      const parsed = parseDigestField(content_digest!)
      expect(parsed).toMatchObject({ ok: true })
      if (response?.body_utf8 !== undefined) {
        expect(parsed).toEqual({ ok: true, digests: { 'sha-256': hexOf('sha256', response.body_utf8) } })
      }
    },
  )

  it.each(vectors.filter((v) => v.algorithm_key !== undefined))('$id', ({ algorithm_key, value, body_utf8 }) => {
    const name = NAMES[algorithm_key!]
    const digests = name ? { [algorithm_key!]: hexOf(name, body_utf8!) } : {} // Those we do not know are ignored.
    expect(parseDigestField(`${algorithm_key}=${value}`)).toEqual({ ok: true, digests })
  })

  it.each(vectors.filter((v) => v.field_value !== undefined))('$id is refused', ({ field_value }) => {
    expect(parseDigestField(field_value!)).toMatchObject({ ok: false })
  })
})

describe('the syntax of RFC 9651 §3.2', () => {
  const B64 = 'RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg='
  const HEX = Buffer.from(B64, 'base64').toString('hex')
  const MD5 = 'Sd/dVLAcvNLSq16eXua5uQ=='

  const taken: [string, object][] = [
    [`sha-256=:${B64}:`, { 'sha-256': HEX }],
    [`  sha-256=:${B64}:  `, { 'sha-256': HEX }],
    [`md5=:${MD5}: \t,\t sha-256=:${B64}:`, { 'sha-256': HEX, md5: Buffer.from(MD5, 'base64').toString('hex') }],
    [`sha-256=:${'A'.repeat(43)}=:, sha-256=:${B64}:`, { 'sha-256': HEX }], // The last one counts: §4.2.2.
    [`sha-256=:${B64}:;a;b=1;c="x\\"y"; d=?1;e=t*/x;f=:AA==:`, { 'sha-256': HEX }],
    [`unknown=:AA==:, sha-256=:${B64}:`, { 'sha-256': HEX }],
    ['x-y_z.1*=::', {}],
    ['constructor=:AA==:', {}],
    ['', {}],
  ]
  it.each(taken)('%s', (field, digests) => expect(parseDigestField(field)).toEqual({ ok: true, digests }))

  const refused = [
    `sha-256=:${B64}=:`, // The misprint of RFC 9530 appendix B.
    `sha-256=:${B64.slice(0, -1)}:`, // Without padding.
    `sha-256=:${B64.slice(0, -2)}h=:`, // Bits beyond the last byte.
    `sha-256=:${B64.replaceAll('/', '_')}:`,
    `sha-256=: ${B64}:`,
    `sha-256 =:${B64}:`,
    `sha-256= :${B64}:`,
    `sha-256=:${B64}`,
    `sha-256="${HEX}"`,
    `sha-256=${HEX}`,
    'sha-256',
    'sha-256=',
    'sha-256=:AAAA:',
    'sha-512=:AAAA:',
    'md5=:AAAA:',
    'unknown=1',
    `Sha-256=:${B64}:`,
    `sha-256=:${B64}:,`,
    `,sha-256=:${B64}:`,
    `sha-256=:${B64}:,,md5=:${MD5}:`,
    `sha-256=:${B64}: md5=:${MD5}:`,
    `sha-256=:${B64}:;`,
    `sha-256=:${B64}:;A`,
    `sha-256=:${B64}:;a=`,
    `sha-256=:${B64}:x`,
    `\tsha-256=:${B64}:`,
    ' '.repeat(DIGEST_FIELD_CHARS_MAX + 1),
  ]
  it.each(refused)('%s is refused', (field) => {
    expect(parseDigestField(field)).toMatchObject({ ok: false, detail: expect.stringMatching(/./) })
  })

  it('gives back any digest that it wrote, and refuses to write what is none', () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 32, maxLength: 32 }), (bytes) => {
        const hex = Buffer.from(bytes).toString('hex')
        expect(parseDigestField(formatReprDigest(hex))).toEqual({ ok: true, digests: { 'sha-256': hex } })
      }),
    )
    for (const hex of ['', 'ab', HEX.toUpperCase(), `${HEX}00`]) expect(() => formatReprDigest(hex)).toThrow()
  })

  it('takes or refuses any text without failing', () => {
    fc.assert(
      fc.property(fc.string({ unit: fc.constantFrom(...'sha-256=:;, "\\?1tA/') }), (field) => {
        expect(typeof parseDigestField(field).ok).toBe('boolean')
      }),
      { numRuns: 300 },
    )
  })
})
