// From the kernel's count of one connection's stream to bytes of files; and the sets of spans that hold the result.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { absorb, type Span, subtract, union } from '../../src/downloads/span.js'
import { createStreamMap } from '../../src/downloads/stream-map.js'

describe('the stream of one connection', () => {
  it('heads are subtracted, responses told apart, and what is known is not told again', () => {
    const map = createStreamMap()
    map.addHead(100)
    map.addBody('a', [0, 9])
    map.addBody('a', [10, 49])
    map.addHead(80)
    map.addBody('b', [500, 509])
    expect([map.length, map.awaitsBody]).toEqual([240, true])
    expect(map.acknowledgeTo(100)).toEqual([])
    expect(map.acknowledgeTo(105)).toEqual([{ tryId: 'a', span: [0, 4] }])
    expect(map.acknowledgeTo(90)).toEqual([]) // Never back.
    expect(map.acknowledgedTo).toBe(105)
    expect(map.acknowledgeTo(235)).toEqual([
      { tryId: 'a', span: [5, 49] },
      { tryId: 'b', span: [500, 504] },
    ])
    // Our FIN counts one more in the stream than there is in it: nothing is claimed beyond what was added.
    expect(map.acknowledgeTo(241)).toEqual([{ tryId: 'b', span: [505, 509] }])
    expect(map.awaitsBody).toBe(false)
  })

  it('agrees with a list of single bytes, for any answers and any order of counts', () => {
    const answer = fc.record({ head: fc.nat(20), first: fc.nat(50), slices: fc.array(fc.integer({ min: 1, max: 9 })) })
    fc.assert(
      fc.property(
        fc.array(answer, { maxLength: 6 }),
        fc.array(fc.integer({ min: -5, max: 300 })),
        (answers, offsets) => {
          const map = createStreamMap()
          const bytes: (string | null)[] = []
          for (const [id, { head, first, slices }] of answers.entries()) {
            map.addHead(head)
            bytes.push(...Array<null>(head).fill(null))
            let next = first
            for (const length of slices) {
              map.addBody(String(id), [next, next + length - 1])
              for (let i = 0; i < length; i += 1) bytes.push(`${id}:${next + i}`)
              next += length
            }
          }
          expect(map.length).toBe(bytes.length)
          let known = 0
          for (const offset of offsets) {
            const told = map
              .acknowledgeTo(offset)
              .flatMap(({ tryId, span: [first, last] }) =>
                Array.from({ length: last - first + 1 }, (_, i) => `${tryId}:${first + i}`),
              )
            expect(told).toEqual(bytes.slice(known, Math.max(known, offset)).filter((byte) => byte !== null))
            known = Math.min(bytes.length, Math.max(known, offset))
          }
        },
      ),
    )
  })
})

describe('adding to a set of spans', () => {
  const span = fc
    .tuple(fc.nat(60), fc.integer({ min: -2, max: 20 }))
    .map(([first, more]): Span => [first, first + more])

  it('is the union, and gives exactly what was new', () => {
    fc.assert(
      fc.property(fc.array(span), span, (spans, added) => {
        const before = union(spans, [])
        const set = union(spans, [])
        expect(absorb(set, added)).toEqual(subtract([added], before))
        expect(set).toEqual(union(before, [added]))
      }),
    )
  })
})
