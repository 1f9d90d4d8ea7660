import { createHash } from 'node:crypto'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { BLOCK_BYTES, StreamDigests } from '../../src/blobs/digests.js'
import { loadVectors } from '../support/vectors.js'

interface Vector {
  id: string
  algorithm: string
  input?: { utf8?: string; hex?: string; byte?: number; count?: number }
  expected_hex: string
}
const { vectors } = loadVectors<Vector>('hashes')

const MEMBERS: [RegExp, 'sha256' | 'sha1' | 'md5' | 'crc32'][] = [
  [/^sha256$/, 'sha256'],
  [/^sha1$/, 'sha1'],
  [/^md5$/, 'md5'],
  [/^CRC-32\/ISO-HDLC/, 'crc32'],
]
const memberOf = (algorithm: string) => MEMBERS.find(([name]) => name.test(algorithm))?.[1]

// Left out: SHA-512 and HMAC (no file is kept by them), the other CRCs and Adler-32 (units of the known kinds do not
// ask for them; eight hex digits would not even say which of two 32-bit CRCs they are).
const LEFT_OUT = /^(sha512|hmac-sha256|CRC-32C|CRC-16|CRC-64|Adler-32)/

function bytesOf({ utf8, hex, byte, count }: NonNullable<Vector['input']>): Buffer {
  if (count !== undefined) return Buffer.alloc(count, byte)
  return hex === undefined ? Buffer.from(utf8!) : Buffer.from(hex, 'hex')
}

/** Fed in pieces whose sizes repeat. */
function digestsOf(bytes: Buffer, sizes: number[]) {
  const digests = new StreamDigests()
  for (let from = 0, i = 0; from < bytes.length; i += 1) {
    const size = sizes[i % sizes.length]!
    digests.update(bytes.subarray(from, from + size))
    from += size
  }
  return digests.finish()
}

describe('digests against FIPS 180-4, RFC 1321 and the catalogue of CRCs', () => {
  it('covers every vector but those that are left out', () => {
    for (const { algorithm } of vectors) expect(LEFT_OUT.test(algorithm)).toBe(memberOf(algorithm) === undefined)
  })

  it.each(vectors.filter(({ algorithm }) => memberOf(algorithm)))('$id', ({ algorithm, input, expected_hex }) => {
    const bytes = bytesOf(input!)
    for (const sizes of [[bytes.length || 1], [1, 63, 64, 65, 997], [4096, 1]]) {
      const result = digestsOf(bytes, sizes)
      expect(result[memberOf(algorithm)!]).toBe(expected_hex)
      expect(result.sizeBytes).toBe(bytes.length)
    }
  })
})

describe('the blocks of a file', () => {
  const blocksOf = (bytes: Buffer) => {
    const hashes: Buffer[] = []
    for (let from = 0; from < bytes.length; from += BLOCK_BYTES) {
      hashes.push(
        createHash('sha256')
          .update(bytes.subarray(from, from + BLOCK_BYTES))
          .digest(),
      )
    }
    return Buffer.concat(hashes)
  }
  const file = Buffer.alloc(3 * BLOCK_BYTES + 5, 'some firmware ')

  it.each([0, 1, BLOCK_BYTES - 1, BLOCK_BYTES, BLOCK_BYTES + 1, 2 * BLOCK_BYTES, file.length])(
    'of %i bytes',
    (size) => {
      const bytes = file.subarray(0, size)
      for (const sizes of [[65_536], [BLOCK_BYTES], [2 * BLOCK_BYTES + 3], [700_001, 1]]) {
        const { blocks } = digestsOf(bytes, sizes)
        expect(blocks.equals(blocksOf(bytes))).toBe(true)
        expect(blocks.length).toBe(32 * Math.ceil(size / BLOCK_BYTES))
      }
    },
  )

  it('do not depend on the pieces that the file came in', () => {
    const bytes = file.subarray(0, BLOCK_BYTES + 3000)
    const whole = digestsOf(bytes, [bytes.length])
    const sizes = fc.array(fc.integer({ min: 300, max: 2 * BLOCK_BYTES }), { minLength: 1, maxLength: 8 })
    fc.assert(
      fc.property(sizes, (any) => void expect(digestsOf(bytes, any)).toEqual(whole)),
      { numRuns: 20 },
    )
  })
})
