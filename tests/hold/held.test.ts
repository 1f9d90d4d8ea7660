// Holds and deadlines as pure rules. The rule is of this house, no source: the time of a hold is not the unit's.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { isReviewed } from '../../src/hold/hold.js'
import { derive } from '../../src/tasks/derive.js'
import type { Fact } from '../../src/tasks/facts.js'
import { deadlineOf, heldMs } from '../../src/tasks/held.js'
import { arbitraryHistory } from '../tasks/histories.js'

const held = (fromMs: number, untilMs: number | null): Extract<Fact, { kind: 'held' }> => ({
  kind: 'held',
  id: `h_${fromMs}`,
  fromMs,
  untilMs,
})
const TERMS = { issuedAtMs: 1000, deadlineMs: 5000 }

describe('the deadline of a task', () => {
  it.each<[string, Fact[], number]>([
    ['no hold', [], 5000],
    ['a hold within the task moves it by its length', [held(2000, 2600)], 5600],
    ['of a hold that began before the issue only the rest counts', [held(0, 1500)], 5500],
    ['a hold that was over before the issue counts nothing', [held(0, 900)], 5000],
    ['a hold that began after the deadline counts nothing', [held(5000, 9000)], 5000],
    ['a hold that would begin after it does begin before the moved one', [held(2000, 4000), held(6000, 6500)], 7500],
    ['holds that overlap count once', [held(2000, 3000), held(2500, 3500)], 6500],
    ['a hold that lasts: there is none', [held(2000, 3000), held(4000, null)], Infinity],
    ['a hold that lasts, begun too late: the task was due before', [held(5000, null)], 5000],
    ['a clock that was set back gives no negative hold', [held(3000, 2000)], 5000],
  ])('%s', (_what, facts, expected) => {
    expect(deadlineOf(TERMS, facts)).toBe(expected)
    expect(deadlineOf(TERMS, [...facts].reverse())).toBe(expected)
  })

  it('never comes earlier by a hold', () => {
    const span = fc.tuple(fc.nat(9000), fc.nat(3000)).map(([from, length]) => held(from, from + length))
    fc.assert(
      fc.property(fc.array(span, { maxLength: 5 }), (holds) => {
        const sorted = [...holds].sort((a, b) => a.fromMs - b.fromMs)
        const sumMs = heldMs(sorted, { fromMs: TERMS.issuedAtMs, untilMs: 1e6 })
        expect(deadlineOf(TERMS, holds)).toBeGreaterThanOrEqual(TERMS.deadlineMs)
        expect(deadlineOf(TERMS, holds)).toBeLessThanOrEqual(TERMS.deadlineMs + sumMs)
      }),
    )
  })
})

describe('derive() while a hold lasts', () => {
  const RUNS = { numRuns: 400 }
  it('finds no exit of the clock, and what the facts alone decide as without a deadline', () => {
    fc.assert(
      fc.property(arbitraryHistory, ({ terms, facts, nowMs }) => {
        const all = [...facts, held(terms.issuedAtMs, null)]
        const { standing, ...found } = derive(terms, all, nowMs)
        expect(found.moves.filter((move) => move.evidence.kind === 'deadline')).toEqual([])
        const { standing: _other, ...endless } = derive({ ...terms, deadlineMs: Infinity }, facts, nowMs)
        expect(found).toEqual(endless)
        // What is closed by a fact is shown closed; what waits for us says that it is held.
        if (standing.grade !== 'closed' && found.state !== 'applied')
          expect(standing).toMatchObject({
            grade: 'late',
            sinceMs: terms.issuedAtMs,
            next: expect.stringContaining('hold'),
          })
        else expect(standing.next ?? '').not.toContain('hold show')
      }),
      RUNS,
    )
  })

  it('after it is as if the deadline had been later by its length', () => {
    fc.assert(
      fc.property(arbitraryHistory, fc.nat({ max: 5000 }), ({ terms, facts, nowMs }, minutes) => {
        const lengthMs = minutes * 60_000
        const all = [...facts, held(terms.issuedAtMs, terms.issuedAtMs + lengthMs)]
        const { standing: _a, ...found } = derive(terms, all, nowMs)
        const { standing: _b, ...wanted } = derive({ ...terms, deadlineMs: terms.deadlineMs + lengthMs }, facts, nowMs)
        expect(found).toEqual(wanted)
      }),
      RUNS,
    )
  })
})

describe('an acknowledgement', () => {
  const n = (openTasks: number, liveLinks: number, unsentCommands: number) => ({ openTasks, liveLinks, unsentCommands })
  const [atStart, now] = [n(9, 9, 4), n(7, 8, 4)]
  it('is good with any numbers between what was held at first and what is held now', () => {
    for (const named of [n(7, 8, 4), n(9, 9, 4), n(8, 8, 4)]) expect(isReviewed({ named, now, atStart })).toBe(true)
  })
  it('is none with less than there is, and none with numbers that nobody can have seen', () => {
    for (const named of [n(6, 8, 4), n(7, 7, 4), n(7, 8, 3), n(10, 9, 4), n(7, 8, 99_999)])
      expect(isReviewed({ named, now, atStart })).toBe(false)
  })
})
