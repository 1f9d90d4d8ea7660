// What holds for every history, however the facts are ordered, doubled or late. Checked against the domain's rules.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { isOpen, openStates } from '../../src/tasks/actions.js'
import { derive, nextDueMs } from '../../src/tasks/derive.js'
import { type Derived, type Fact, TASK_STATES, type TaskState } from '../../src/tasks/facts.js'
import { timelineOf } from '../../src/tasks/timeline.js'
import { arbitraryHistory, arbitraryTerms, checkinBetween, type History, knownBy, type Of } from './histories.js'

const RUNS = { numRuns: 1_500 }
const isCheckin = (fact: Fact): fact is Of<'checkin'> => fact.kind === 'checkin'
const derived = ({ terms, facts, nowMs }: History): Derived => derive(terms, facts, nowMs)
/** The history and its facts in another order. */
const reordered = arbitraryHistory.chain((history) =>
  fc.record({
    history: fc.constant(history),
    facts: fc.shuffledSubarray(history.facts, { minLength: history.facts.length }),
  }),
)

describe('any order of the facts', () => {
  it('gives the same result', () => {
    fc.assert(
      fc.property(reordered, ({ history, facts }) => {
        expect(derive(history.terms, facts, history.nowMs)).toEqual(derived(history))
      }),
      RUNS,
    )
  })

  it('and doubles, whole or with another key order, change nothing', () => {
    fc.assert(
      fc.property(arbitraryHistory, fc.nat(), (history, pick) => {
        const { terms, facts, nowMs } = history
        const double = facts[pick % Math.max(facts.length, 1)]
        const rebuilt = double ? [Object.fromEntries(Object.entries(double).reverse()) as Fact] : []
        expect(derive(terms, [...rebuilt, ...facts, ...facts], nowMs)).toEqual(derived(history))
      }),
      RUNS,
    )
  })

  it('and a report sent again later under the same id, or with the same content, changes nothing', () => {
    fc.assert(
      fc.property(arbitraryHistory, fc.nat(), fc.boolean(), (history, pick, sameId) => {
        const { terms, facts, nowMs } = history
        const checkins = facts.filter(isCheckin)
        const first = checkins[pick % Math.max(checkins.length, 1)]
        fc.pre(first !== undefined)
        // Received first among its like, so that it is the one that stands.
        fc.pre(checkins.every((other) => other === first || other.id !== first.id || other.source !== first.source))
        const again = sameId
          ? { ...first, version: '3.7', observedAtMs: first.observedAtMs + 1, receivedAtMs: first.receivedAtMs + 1 }
          : { ...first, id: 'other', receivedAtMs: first.receivedAtMs + 1, digest: 'ff'.repeat(32) }
        fc.pre(
          sameId ||
            checkins.every((c) => c === first || c.observedAtMs !== first.observedAtMs || c.source !== first.source),
        )
        expect(derive(terms, [again, ...facts], nowMs)).toEqual(derived(history))
      }),
      RUNS,
    )
  })
})

describe('every result', () => {
  it('has moves in order of time and of state, one per state, none beyond the exit, the last one its state', () => {
    fc.assert(
      fc.property(arbitraryHistory, (history) => {
        const { state, moves, closedAtMs, reason } = derived(history)
        const order = (of: TaskState): number => {
          const index = (TASK_STATES as readonly TaskState[]).indexOf(of)
          return index < 0 ? TASK_STATES.length : index
        }
        expect(moves[0]).toMatchObject({ state: 'queued', atMs: history.terms.issuedAtMs, by: 'key_1' })
        expect(moves.at(-1)!.state).toBe(state)
        for (const [index, move] of moves.entries()) {
          if (index === 0) continue
          expect(order(move.state)).toBeGreaterThan(order(moves[index - 1]!.state))
          expect(move.atMs).toBeGreaterThanOrEqual(moves[index - 1]!.atMs)
        }
        // No state is skipped on the way: what has no evidence of its own is stamped.
        const reached = moves.map((move) => move.state).filter((of) => order(of) < TASK_STATES.length)
        expect(reached).toEqual(TASK_STATES.slice(0, reached.length))
        expect(closedAtMs).toBe(isOpen(state) ? null : moves.at(-1)!.atMs)
        expect(reason === null).toBe(isOpen(state) || state === 'confirmed')
      }),
      RUNS,
    )
  })

  it('rests each move on a fact that is there and may carry it', () => {
    const CARRIERS: Record<TaskState, string[]> = {
      queued: ['issue'],
      fetched: ['ledger', 'copied', 'reply', 'attest', 'checkin'],
      verified: ['reply', 'attest', 'checkin'],
      applied: ['checkin'], // Nothing but a version report ever reaches applied.
      confirmed: ['checkin', 'attest'],
      failed: ['ledger', 'reply', 'attest', 'checkin', 'deadline'],
      cancelled: ['cancel', 'withdrawn'],
      lapsed: ['deadline'],
      superseded: ['supersede'],
    }
    fc.assert(
      fc.property(arbitraryHistory, (history) => {
        for (const { state, evidence, grade, implied } of derived(history).moves) {
          expect(CARRIERS[state]).toContain(evidence.kind)
          if (evidence.kind === 'issue' || evidence.kind === 'deadline') expect(evidence.id).toBe(history.terms.id)
          else expect(history.facts.some(({ kind, id }) => kind === evidence.kind && id === evidence.id)).toBe(true)
          if (grade === 'acknowledged') expect([state, evidence.kind]).toEqual(['fetched', 'ledger'])
          if (implied) expect(['fetched', 'verified']).toContain(state)
        }
      }),
      RUNS,
    )
  })

  it('is applied only by a report of the target, confirmed only by two that lie the soak time apart or by a person', () => {
    let confirmed = 0
    fc.assert(
      fc.property(arbitraryHistory, (history) => {
        const { moves } = derived(history)
        const applied = moves.find(({ state }) => state === 'applied')
        const last = moves.find(({ state }) => state === 'confirmed')
        const reports = (atMs: number): Of<'checkin'>[] =>
          history.facts.filter(isCheckin).filter(({ observedAtMs }) => observedAtMs === atMs)
        if (applied) {
          expect(applied.implied).toBe(false)
          expect(applied.atMs).toBeGreaterThanOrEqual(history.terms.issuedAtMs)
          // Another version of the same instant can only be a double: a second statement under a used id.
          const isDouble = (report: Of<'checkin'>): boolean =>
            history.facts.filter((fact) => isCheckin(fact) && fact.id === report.id && fact.source === report.source)
              .length > 1
          expect(reports(applied.atMs).some(({ version }) => version === '2.0')).toBe(true)
          expect(reports(applied.atMs).every((one) => one.version === '2.0' || isDouble(one))).toBe(true)
        }
        if (!last) return
        confirmed += 1
        if (last.evidence.kind === 'attest') {
          expect(last.grade).toBe('person')
          return
        }
        const { id } = last.evidence
        const second = reports(last.atMs).filter((report) => report.id === id)
        expect(second.some(({ version, timing }) => version === '2.0' && timing !== 'clock')).toBe(true)
        expect(last.atMs - applied!.atMs).toBeGreaterThanOrEqual(history.terms.soakMs)
        expect(last.atMs).toBeGreaterThan(applied!.atMs)
      }),
      RUNS,
    )
    expect(confirmed).toBeGreaterThan(RUNS.numRuns / 50)
  })

  it('shows no open task as closed and no closed one as open, whatever the time', () => {
    fc.assert(
      fc.property(arbitraryHistory, (history) => {
        const { state, standing } = derived(history)
        expect(standing.grade === 'closed').toBe(!(openStates as readonly TaskState[]).includes(state))
        if (standing.grade === 'late' || standing.grade === 'silent') {
          expect(standing.cause).toMatch(/\.$/)
          expect(standing.next).toMatch(/\.$/)
        }
      }),
      RUNS,
    )
  })
})

describe('the clock', () => {
  it('decides nothing but the deadline and the standing', () => {
    fc.assert(
      fc.property(arbitraryHistory, fc.nat({ max: 100 }), (history, more) => {
        const { terms, facts, nowMs } = history
        const { standing: _before, ...before } = derived(history)
        const { standing: _after, ...after } = derive(terms, facts, nowMs + more * 60_000)
        const dueMs = nextDueMs(terms, before)
        if (dueMs === null || (nowMs < dueMs && nowMs + more * 60_000 < dueMs)) {
          // A history may hold facts from after now; they stay out of this comparison.
          fc.pre(facts.every((fact) => knownBy([fact], nowMs).length === 1))
          expect(after).toEqual(before)
        }
      }),
      RUNS,
    )
  })

  it('leaves nothing but applied open after the deadline', () => {
    fc.assert(
      fc.property(arbitraryHistory, ({ terms, facts }) => {
        const { state } = derive(terms, facts, terms.deadlineMs)
        expect(!isOpen(state) || state === 'applied').toBe(true)
      }),
      RUNS,
    )
  })
})

describe('a check-in observed before the issue', () => {
  it('is the evidence of no move, and alone leaves the task queued', () => {
    fc.assert(
      fc.property(arbitraryTerms, fc.array(checkinBetween(-60, -5), { maxLength: 6 }), (terms, facts) => {
        const { state, moves } = derive(terms, facts, terms.issuedAtMs)
        expect(state).toBe('queued')
        expect(moves).toHaveLength(1)
      }),
      RUNS,
    )
  })

  it('changes no state where it leaves fromVersion as it was', () => {
    fc.assert(
      fc.property(arbitraryHistory, checkinBetween(-60, -5), (history, early) => {
        const { terms, facts, nowMs } = history
        const before = derived(history)
        const after = derive(terms, [...facts, { ...early, id: 'early', source: 'other' }], nowMs)
        fc.pre(after.fromVersion === before.fromVersion)
        // The first one after the issue may have set the same fromVersion: then its path was checked.
        const atIssue = (all: Fact[]): string | null => timelineOf(terms, all).fromVersion
        fc.pre(atIssue([...facts, { ...early, id: 'early', source: 'other' }]) === atIssue(facts))
        expect({ ...after, flags: [] }).toEqual({ ...before, flags: [] })
      }),
      RUNS,
    )
  })
})
