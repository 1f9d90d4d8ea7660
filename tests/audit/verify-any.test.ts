import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { sealEntry } from '../../src/audit/chain.js'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { chainOf, faultOf, rehash, tampered, whole } from './export-samples.js'

describe('any chain', () => {
  const lengths = fc.integer({ min: 2, max: 12 })
  const place = fc.nat()

  it('with one mutation is named by its kind', async () => {
    const cases = fc.record({ length: lengths, from: place, to: place, kind: fc.nat(7) })
    await fc.assert(
      fc.asyncProperty(cases, async ({ length, from, to, kind }) => {
        const truth = chainOf(length)
        const i = from % length
        const one = truth[i]!
        const rest = truth.toSpliced(i, 1)
        const other = to % length
        const forged = sealEntry(one, { ...one, action: 'forged' }, null)
        const [entries, expected] = (
          [
            [truth.with(i, { ...one, action: 'x' }), 'changed'],
            [truth.with(i, rehash({ ...one, action: 'x' })), 'changed'],
            [rest, i === length - 1 ? 'cut' : 'missing'],
            [truth.toSpliced(to % (length + 1), 0, one), 'inserted'],
            [truth.toSpliced(i + 1, 0, forged), 'inserted'],
            [rest.toSpliced(other, 0, one), i === other ? null : 'reordered'],
            [truth.with(i, truth[other]!).with(other, one), i === other ? null : 'reordered'],
            [truth.slice(0, i), 'cut'],
          ] as const
        )[kind]!
        expect((await faultOf(tampered([...entries], truth)))?.kind ?? null).toBe(expected)
      }),
      { numRuns: 600 },
    )
  })

  it('with any lines taken out, doubled or moved is never called intact', async () => {
    await fc.assert(
      fc.asyncProperty(
        lengths,
        fc.array(fc.tuple(place, place, place), { minLength: 1, maxLength: 4 }),
        async (length, edits) => {
          const lines = whole(chainOf(length))
          let edited = lines
          for (const [kind, from, to] of edits) {
            const i = from % edited.length
            const line = edited[i]!
            if (kind % 3 > 0) edited = edited.toSpliced(i, 1)
            if (kind % 3 < 2) edited = edited.toSpliced(to % (edited.length + 1), 0, line)
            if (edited.length === 0) break
          }
          const { ok } = await verifyExport(edited)
          expect(ok).toBe(edited.join('\n') === lines.join('\n'))
        },
      ),
      { numRuns: 400 },
    )
  })
})

describe('every byte of a small export', () => {
  const entries = chainOf(2)
  const bytes = Buffer.from(`${whole(entries).join('\n')}\n`)
  const original = bytes.toString().split('\n')

  /** White space and escapes may change as long as no value does: that is what the hashes are over. */
  function sameValues(changed: Buffer): boolean {
    try {
      const lines = new TextDecoder('utf-8', { fatal: true }).decode(changed).split('\n')
      const values = (texts: string[]) => texts.filter((text) => text.trim() !== '').map((text) => JSON.parse(text))
      expect(values(lines)).toEqual(values(original))
      return true
    } catch {
      return false
    }
  }

  it('cannot be changed unnoticed, whichever bit', async () => {
    const missed: string[] = []
    for (let at = 0; at < bytes.length; at += 1) {
      for (const flip of [1, 2, 4, 8, 16, 32, 64, 128, 7]) {
        const changed = Buffer.from(bytes)
        changed[at]! ^= flip
        if ((await verifyExport(exportLines([changed]))).ok && !sameValues(changed)) missed.push(`byte ${at} ^ ${flip}`)
      }
    }
    expect(missed).toEqual([])
  })

  it('cannot be taken out or cut off from unnoticed', async () => {
    const missed: string[] = []
    for (let at = 0; at < bytes.length; at += 1) {
      const without = Buffer.concat([bytes.subarray(0, at), bytes.subarray(at + 1)])
      if ((await verifyExport(exportLines([without]))).ok && !sameValues(without)) missed.push(`without byte ${at}`)
      const cut = bytes.subarray(0, at)
      const { ok } = await verifyExport(exportLines([cut]))
      if (ok && at !== bytes.length - 1) missed.push(`cut at byte ${at}`) // The last byte is the LF.
    }
    expect(missed).toEqual([])
  })
})

describe('lines out of bytes', () => {
  const collect = async (chunks: Uint8Array[]) => {
    const lines: string[] = []
    for await (const line of exportLines(chunks)) lines.push(line)
    return lines
  }

  it('are the same however the bytes are cut', async () => {
    const text = 'ä€😀\n\nb\r\nlast without LF'
    for (let size = 1; size < 12; size += 1) {
      const bytes = Buffer.from(text)
      const chunks: Buffer[] = []
      for (let from = 0; from < bytes.length; from += size) chunks.push(bytes.subarray(from, from + size))
      expect(await collect(chunks)).toEqual(text.split('\n'))
    }
    expect(await collect([])).toEqual([])
  })
  it('that are no UTF-8 are no JSON either', async () => {
    const [line] = await collect([Buffer.from([0x22, 0xff, 0x22])])
    expect(() => JSON.parse(line!)).toThrow(SyntaxError)
  })
  it('without end stop the reading', async () => {
    let chunks = 0
    const endless = (function* () {
      for (;;) {
        chunks += 1
        yield Buffer.alloc(64 * 1024, 0x20)
      }
    })()
    const { fault } = await verifyExport(exportLines(endless))
    expect(fault).toMatchObject({ line: 1, kind: 'unreadable' })
    expect(chunks).toBeLessThan(60)
  })
})
