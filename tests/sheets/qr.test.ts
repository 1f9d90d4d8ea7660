// QR codes are read again by a reader of our own (qr-reader.ts) that shares no line with what draws them.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { qrModules, qrSvg } from '../../src/sheets/qr.js'
import { modulesOfSvg, readQr } from './qr-reader.js'

const LINK = 'http://fw.example.com/d/abcdefgh23456789/tarnlight-W25-41.img'

describe('a QR code', () => {
  it('says the link to the letter, in every size that links of 1 to 200 bytes need', () => {
    expect(readQr(qrModules(LINK))).toBe(LINK)
    for (const length of [1, 14, 15, 26, 42, 62, 84, 106, 122, 152, 180, 200])
      expect(readQr(qrModules('http://fw.example.com/d/'.padEnd(length, 'k').slice(0, length)))).toHaveLength(length)
  })

  it('says whatever link there may be', () => {
    const name = fc.stringMatching(/^[A-Za-z0-9._-]{1,64}$/)
    fc.assert(
      fc.property(fc.webUrl({ size: 'small' }), name, (host, file) => {
        const link = `${host}/d/abcdefgh23456789/${file}`.slice(0, 200)
        expect(readQr(qrModules(link))).toBe(link)
      }),
      { numRuns: 40 },
    )
  })

  it('is drawn with four light modules around it, of which a reader needs each', () => {
    const { rows, quiet } = modulesOfSvg(qrSvg(LINK, 'x').text)
    expect(quiet).toBe(4)
    expect(readQr(rows)).toBe(LINK)
  })

  it('with one wrong module is not read by our reader as if it were whole', () => {
    const rows = qrModules(LINK).map((row) => [...row])
    rows[20]![20] = !rows[20]![20]
    expect(() => readQr(rows)).toThrow(/error/)
  })
})
