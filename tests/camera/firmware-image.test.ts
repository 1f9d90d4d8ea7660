import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { demoFirmware, IMAGE_HEAD_BYTES_MAX, readImageHead } from '../../src/camera/firmware-image.js'
import { seededRandom } from '../../src/camera/seeded-random.js'

const ORDER = { model: 'cam-a', version: '4.2.0', sizeBytes: 200_000, seed: 3 }
const bytesOf = (order = ORDER) => Buffer.concat([...demoFirmware(order)])

describe('a firmware image of the demo', () => {
  it('has the size that was ordered, whatever it is, and says whose it is', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 512, max: 300_000 }),
        fc.stringMatching(/^[a-z0-9.-]{1,20}$/),
        (sizeBytes, version) => {
          const bytes = bytesOf({ ...ORDER, sizeBytes, version })
          expect(bytes.length).toBe(sizeBytes)
          expect(readImageHead(bytes)).toEqual({ model: 'cam-a', version, sizeBytes })
        },
      ),
      { numRuns: 50 },
    )
  })

  it('is the same for the same order and another for any other', () => {
    expect(bytesOf().equals(bytesOf())).toBe(true)
    const others = [{ seed: 4 }, { version: '4.2.1' }, { model: 'cam-b' }, { sizeBytes: 200_001 }]
    for (const other of others) expect(bytesOf({ ...ORDER, ...other }).equals(bytesOf())).toBe(false)
  })

  it('comes in pieces, so that a large one is never whole in memory', () => {
    for (const piece of demoFirmware({ ...ORDER, sizeBytes: 1_000_000 }))
      expect(piece.length).toBeLessThanOrEqual(65_536)
  })

  it('is refused where it has no room for bytes', () => {
    expect(() => bytesOf({ ...ORDER, sizeBytes: 20 })).toThrow()
    expect(() => bytesOf({ ...ORDER, version: '1'.repeat(IMAGE_HEAD_BYTES_MAX) })).toThrow()
  })

  it.each([
    ['nothing', ''],
    ['a web page', '<html>\n\n</html>'],
    ['a head without its end', 'WINTERCAM-IMAGE 1\nversion: 1\nmodel: a\nbytes: 9\n'],
    ['another format version', 'WINTERCAM-IMAGE 2\nversion: 1\nmodel: a\nbytes: 9\n\n'],
    ['no model', 'WINTERCAM-IMAGE 1\nversion: 1\nbytes: 9\n\n'],
    ['something before it', ' WINTERCAM-IMAGE 1\nversion: 1\nmodel: a\nbytes: 9\n\n'],
  ])('is not read out of %s', (_what, text) => {
    expect(readImageHead(Buffer.from(text))).toBeNull()
  })
})

describe('seeded random numbers', () => {
  it('repeat with their seed, differ without, and stay within 0 ≤ n < 1', () => {
    const take = (seed: number) => Array.from({ length: 1_000 }, seededRandom(seed))
    expect(take(5)).toEqual(take(5))
    expect(take(5)).not.toEqual(take(6))
    expect(take(5).every((n) => n >= 0 && n < 1)).toBe(true)
    const mean = take(5).reduce((sum, n) => sum + n, 0) / 1_000
    expect(Math.abs(mean - 0.5)).toBeLessThan(0.05) // Five standard deviations of a mean of 1,000.
  })
})
