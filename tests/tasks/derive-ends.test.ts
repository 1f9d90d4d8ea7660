// How a task ends: the rules 1 and 6 to 10 of the domain and the byte budget, each with its negative half.
import { describe, expect, it } from 'vitest'
import { AFTERWARDS_MAX, meaningAfterwards } from '../../src/tasks/afterwards.js'
import { derive } from '../../src/tasks/derive.js'
import type { Derived, Fact, TaskTerms } from '../../src/tasks/facts.js'
import {
  at,
  attest,
  cancel,
  complete,
  copied,
  DAY_MS,
  DIGESTS,
  MINUTE_MS,
  partial,
  reply,
  report,
  sent,
  supersede,
  termsOf,
  withdrawn,
} from './histories.js'

const old = report('1.0', -60)
const end = (facts: Fact[], changed: Partial<TaskTerms> = {}, nowMs = at(300)): Derived =>
  derive(termsOf(changed), facts, nowMs)
const stateOf = (facts: Fact[], changed: Partial<TaskTerms> = {}, nowMs = at(300)): string => {
  const { state, reason } = end(facts, changed, nowMs)
  return reason === null ? state : `${state}: ${reason}`
}
const AFTER_DEADLINE_MS = at(8 * 24 * 60)

describe('rule 1: finals are final', () => {
  it('and what is observed later goes to afterwards with its meaning', () => {
    const { state, afterwards } = end([old, cancel(10), report('2.0', 20), report('1.0', 30), report('9.9', 40)])
    expect(state).toBe('cancelled')
    expect(afterwards).toEqual([
      { observedAtMs: at(20), version: '2.0', meaning: 'target-seen-later' },
      { observedAtMs: at(30), version: '1.0', meaning: 'old-version' },
      { observedAtMs: at(40), version: '9.9', meaning: 'other-version' },
    ])
  })

  it('after confirmed too, where the target is seen again and not later', () => {
    const { state, afterwards } = end([report('2.0', 20), report('2.0', 40), report('2.0', 60)])
    expect(state).toBe('confirmed')
    expect(afterwards).toEqual([{ observedAtMs: at(60), version: '2.0', meaning: 'target-again' }])
    expect(
      meaningAfterwards({
        terms: { target: '2.0', earlierTargets: ['1.5'] },
        state: 'failed',
        fromVersion: null,
        version: '1.5',
      }),
    ).toBe('old-version')
  })

  it('but what was observed before the exit still counts before it, however late it comes', () => {
    const late = report('2.0', 5, { receivedAtMs: at(200) })
    expect(end([old, cancel(10), late]).moves.map(({ state }) => state)).toContain('applied')
  })

  it('afterwards keeps no more than its maximum, the first ones', () => {
    const many = Array.from({ length: AFTERWARDS_MAX + 5 }, (_, index) => report('2.0', 20 + index))
    const { afterwards } = end([cancel(10), ...many])
    expect(afterwards).toHaveLength(AFTERWARDS_MAX)
    expect(afterwards[0]!.observedAtMs).toBe(at(20))
  })
})

describe('rule 6: the deadline', () => {
  const atEnd = (facts: Fact[], changed: Partial<TaskTerms> = {}): string => stateOf(facts, changed, AFTER_DEADLINE_MS)
  it.each<[string, Fact[], string]>([
    ['nothing known to be sent', [old], 'lapsed: deadline'],
    ['sent, no byte asked', [old, sent(5)], 'failed: no-answer'],
    ['asked, no byte acknowledged', [sent(5), partial(20, { acknowledgedBytes: 0 })], 'failed: fetch-stalled'],
    ['some bytes', [partial(20)], 'failed: fetch-stalled'],
    [
      'all sent, nothing can be counted',
      [partial(20, { sentWhole: true, acknowledgedBytes: null })],
      'failed: no-answer',
    ],
    ['complete, no version', [sent(5), complete(20)], 'failed: no-answer'],
    ['checked, no version', [complete(20), reply('checked', 30)], 'failed: no-answer'],
    ['one wrong digest', [old, complete(20), report('1.0', 30, { digest: 'ff'.repeat(20) })], 'failed: damaged'],
    [
      'a wrong digest, then a right one',
      [old, complete(20), report('1.0', 30, { digest: 'ff'.repeat(20) }), report('1.0', 40, { digest: DIGESTS.sha1 })],
      'failed: no-answer',
    ],
  ])('%s -> %s', (_name, facts, goal) => {
    expect(atEnd(facts)).toBe(goal)
    expect(stateOf(facts, {}, termsOf().deadlineMs - 1)).not.toMatch(/:/)
  })

  it('by hand: nothing done -> lapsed; copied and no version read -> no-answer', () => {
    expect(atEnd([old], { method: 'card' })).toBe('lapsed: deadline')
    expect(atEnd([copied(20)], { method: 'card' })).toBe('failed: no-answer')
    expect(atEnd([partial(20)], { method: 'cable' })).toBe('failed: fetch-stalled')
  })

  it('closes at the deadline itself, whenever it is looked at, as the conclusion of the server', () => {
    const { deadlineMs } = termsOf()
    const { closedAtMs, moves } = end([sent(5)], {}, deadlineMs + DAY_MS)
    expect(closedAtMs).toBe(deadlineMs)
    expect(moves.at(-1)).toMatchObject({ grade: 'inferred', evidence: { kind: 'deadline', id: 'task_1' }, by: null })
  })

  it('leaves applied open: the unit has answered, and nobody saw the soak', () => {
    const { deadlineMs } = termsOf()
    const applied = [report('2.0', 60)]
    expect(atEnd(applied)).toBe('applied')
    const after = report('2.0', 0, { observedAtMs: deadlineMs + DAY_MS / 2 })
    expect(atEnd([...applied, after])).toBe('confirmed')
    expect(atEnd([old, ...applied, { ...after, version: '1.0' }])).toBe('failed: reverted')
  })

  it('takes what was there in time, even where the clock of the unit ran ahead', () => {
    const { deadlineMs } = termsOf()
    const ahead = { observedAtMs: deadlineMs + 4 * MINUTE_MS, receivedAtMs: deadlineMs - MINUTE_MS }
    expect(atEnd([report('2.0', 0, ahead)])).toBe('applied')
    expect(atEnd([sent(5), report('2.0', 0, { observedAtMs: deadlineMs + 1 })])).toBe('failed: no-answer')
    // Moves stay in order of time where the report stands after the deadline by its own clock.
    const { moves } = end([report('1.0', 0, { ...ahead, digest: DIGESTS.md5 })], {}, AFTER_DEADLINE_MS)
    expect(moves.at(-1)).toMatchObject({ state: 'failed', atMs: ahead.observedAtMs })
  })
})

describe('rules 7 and 8: what people stop', () => {
  it('a cancelled task bears the words of the person, a superseded one its one reason', () => {
    expect(end([cancel(10, 'vehicle sold')])).toMatchObject({ state: 'cancelled', reason: 'vehicle sold' })
    expect(end([complete(5), supersede(10)]).moves.at(-1)).toMatchObject({ state: 'superseded', by: 'key_2' })
  })

  it('a withdrawn package cancels queued tasks; fetched and later stay open, flagged', () => {
    expect(stateOf([partial(5), withdrawn(10)])).toBe('cancelled: package-withdrawn')
    expect(end([complete(5), withdrawn(10)])).toMatchObject({ state: 'fetched', flags: ['package-withdrawn'] })
    expect(stateOf([complete(5), withdrawn(10), report('2.0', 40), report('2.0', 60)])).toBe('confirmed')
  })

  it('at the same instant progress counts first', () => {
    expect(end([withdrawn(20), complete(20)])).toMatchObject({ state: 'fetched', flags: ['package-withdrawn'] })
    expect(end([cancel(20), report('2.0', 20)]).moves.map(({ state }) => state)).toContain('applied')
  })

  it('is not lost when the clock was set back after the issue', () => {
    expect(end([cancel(-5)])).toMatchObject({ state: 'cancelled', closedAtMs: at(0) })
    expect(end([complete(-5)]).moves.at(-1)).toMatchObject({ state: 'fetched', atMs: at(0) })
  })
})

describe('rule 9: a person’s word', () => {
  it('confirms only what a report applied, and never stands for applied', () => {
    expect(stateOf([complete(20), attest('confirmed', 40)])).toBe('fetched')
    expect(stateOf([attest('confirmed', 39), report('2.0', 40)])).toBe('applied')
    expect(stateOf([report('2.0', 40), attest('confirmed', 41)])).toBe('confirmed')
  })

  it('fails with its reason from any open state, and moves no state back', () => {
    expect(stateOf([report('2.0', 40), attest('failed', 41, 'wrong-variant')])).toBe('failed: wrong-variant')
    expect(stateOf([attest('failed', 41)])).toBe('failed: other')
    expect(stateOf([report('2.0', 40), attest('fetched', 41)])).toBe('applied')
  })
})

describe('rule 10 and the replies', () => {
  const wrong = (minute: number, changed: Partial<Extract<Fact, { kind: 'checkin' }>> = {}): Fact =>
    report('1.0', minute, { digest: 'ff'.repeat(32), ...changed })

  it('a wrong digest is final at the second time, or at that of the profile', () => {
    expect(end([complete(20), wrong(25)])).toMatchObject({ state: 'fetched' })
    expect(stateOf([complete(20), wrong(25), wrong(35)])).toBe('failed: damaged')
    expect(stateOf([complete(20), wrong(25), wrong(35)], { damagedAfter: 3 })).toBe('fetched')
    expect(stateOf([complete(20), wrong(25)], { damagedAfter: 1 })).toBe('failed: damaged')
  })

  it('one observation told by two sources is one time; a copy known to be whole starts anew', () => {
    expect(stateOf([complete(20), wrong(25), wrong(25, { source: 'reply' })])).toBe('fetched')
    expect(stateOf([old, complete(20), wrong(25), reply('checked', 30), wrong(35)])).toBe('verified')
  })

  it('with the target it is flagged and ends nothing', () => {
    const target = [25, 30, 35].map((minute) => wrong(minute, { version: '2.0' }))
    expect(end([complete(20), ...target])).toMatchObject({ state: 'applied', flags: ['digest-mismatch'] })
    expect(stateOf([complete(20), ...target], { damagedAfter: 1 })).toBe('applied')
  })

  it.each(Object.entries(DIGESTS))('the %s of the package verifies, and implies fetched', (_name, digest) => {
    const { state, moves } = end([report('1.0', 25, { digest: digest.toUpperCase() })])
    expect(state).toBe('verified')
    expect(moves.map(({ implied }) => implied)).toEqual([false, true, false])
    expect(stateOf([report('1.0', 25, { digest: digest.slice(2) })])).toBe('queued')
  })

  it('replies move, but not those from before the issue', () => {
    expect(stateOf([reply('fetched', 5)])).toBe('fetched')
    expect(stateOf([reply('checked', 5)])).toBe('verified')
    expect(stateOf([reply('refused', 5)])).toBe('failed: refused')
    expect(stateOf([reply('refused', -5), reply('checked', -5)])).toBe('queued')
    expect(stateOf([report('2.0', 5), reply('refused', 6)])).toBe('applied')
  })
})

describe('the byte budget', () => {
  it('spent before the file arrived is a loop', () => {
    expect(stateOf([partial(20, { budgetSpentAtMs: at(30) })])).toBe('failed: fetch-loop')
  })

  it('spent after it arrived, or with its last bytes still on the way, is only flagged', () => {
    for (const spent of [30, 19])
      expect(end([complete(20, { budgetSpentAtMs: at(spent) })])).toMatchObject({
        state: 'fetched',
        flags: ['budget-spent'],
      })
    expect(stateOf([reply('fetched', 5), partial(20, { budgetSpentAtMs: at(30) })])).toBe('fetched')
    expect(stateOf([partial(20, { budgetSpentAtMs: at(30) })], { method: 'card' })).toBe('queued')
  })
})
