// Facts that come one by one, as a service meets them: derived again with each, stored once final.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { isOpen } from '../../src/tasks/actions.js'
import { derive, nextDueMs } from '../../src/tasks/derive.js'
import type { Derived, Fact, TaskTerms } from '../../src/tasks/facts.js'
import { arbitraryHistory, arrivals, checkinBetween, knownBy, type Of } from './histories.js'

const RUNS = { numRuns: 1_500 }
const isCheckin = (fact: Fact): fact is Of<'checkin'> => fact.kind === 'checkin'

/** As the service does it: derived again with every arrival and when due; once final it is stored and never again. */
function lived(
  terms: TaskTerms,
  facts: readonly Fact[],
  untilMs: number,
): { stored: Derived; closedBy: number | null } {
  let stored = derive(terms, [], terms.issuedAtMs)
  const ticks = [...arrivals(facts).filter((atMs) => atMs <= untilMs), untilMs].sort((a, b) => a - b)
  for (const tick of ticks) {
    const dueMs = nextDueMs(terms, stored)
    if (dueMs !== null && dueMs < tick) stored = derive(terms, knownBy(facts, dueMs), dueMs)
    if (!isOpen(stored.state)) return { stored, closedBy: dueMs !== null && dueMs < tick ? dueMs : tick }
    stored = derive(terms, knownBy(facts, tick), tick)
    if (!isOpen(stored.state)) return { stored, closedBy: tick }
  }
  return { stored, closedBy: null }
}

describe('facts that come one by one, with finals stored', () => {
  const untilMs = (terms: TaskTerms): number => terms.deadlineMs + 120 * 60_000

  it('end as all at once, or in a final that was right for what was known when it was stored', () => {
    fc.assert(
      fc.property(arbitraryHistory, ({ terms, facts }) => {
        const atOnce = derive(terms, facts, untilMs(terms))
        const { stored, closedBy } = lived(terms, facts, untilMs(terms))
        if (closedBy === null) {
          expect(stored).toEqual(derive(terms, knownBy(facts, untilMs(terms)), untilMs(terms)))
          return
        }
        if (stored.state === atOnce.state && stored.reason === atOnce.reason) return
        const { standing: _standing, ...final } = stored
        const { standing: _again, ...again } = derive(terms, knownBy(facts, closedBy), closedBy)
        expect(final).toEqual(again)
        // It differs only because something came after it.
        expect(arrivals(facts).some((atMs) => atMs > closedBy)).toBe(true)
      }),
      RUNS,
    )
  })

  it('end exactly as all at once where each is received when it is observed', () => {
    let compared = 0
    fc.assert(
      fc.property(arbitraryHistory, ({ terms, facts }) => {
        const prompt = facts.map((fact) => (isCheckin(fact) ? { ...fact, receivedAtMs: fact.observedAtMs } : fact))
        const atOnce = derive(terms, prompt, untilMs(terms))
        const { stored } = lived(terms, prompt, untilMs(terms))
        // Two finals look ahead by rule: a target seen later takes not-applied back (rule 5), late acknowledgements of a
        // whole file take fetch-loop back. Stored, they stay.
        fc.pre(stored.reason !== 'not-applied' && stored.reason !== 'fetch-loop')
        compared += 1
        expect({ state: stored.state, reason: stored.reason, moves: stored.moves }).toEqual({
          state: atOnce.state,
          reason: atOnce.reason,
          moves: atOnce.moves,
        })
      }),
      RUNS,
    )
    expect(compared).toBeGreaterThan(RUNS.numRuns / 2)
  })

  it('leave what comes after a close in afterwards alone', () => {
    fc.assert(
      fc.property(
        arbitraryHistory,
        fc.array(checkinBetween(300, 600), { minLength: 1, maxLength: 3 }),
        (history, later) => {
          const { terms, facts } = history
          const before = derive(terms, facts, untilMs(terms))
          fc.pre(!isOpen(before.state))
          const late = later.map((checkin, index) => ({
            ...checkin,
            id: `late${index}`,
            receivedAtMs: checkin.observedAtMs,
            // Not in conflict with each other, and apart from the grid of the history.
            observedAtMs: checkin.observedAtMs + index + 1,
          }))
          const after = derive(terms, [...facts, ...late], untilMs(terms))
          expect({ ...after, afterwards: [] }).toEqual({ ...before, afterwards: [] })
          expect(after.afterwards.length).toBe(before.afterwards.length + late.length)
        },
      ),
      RUNS,
    )
  })
})
