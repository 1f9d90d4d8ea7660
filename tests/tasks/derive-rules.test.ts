// The moves of one task and the rules 2 to 5 of the domain, each with its negative half. The rest: derive-ends.test.ts.
import { describe, expect, it } from 'vitest'
import { derive } from '../../src/tasks/derive.js'
import type { Derived, Fact, TaskTerms } from '../../src/tasks/facts.js'
import { at, attest, complete, copied, DIGESTS, ledger, partial, reply, report, termsOf } from './histories.js'

const old = report('1.0', -60)
const end = (facts: Fact[], changed: Partial<TaskTerms> = {}, nowMs = at(300)): Derived =>
  derive(termsOf(changed), facts, nowMs)
const stateOf = (facts: Fact[], changed: Partial<TaskTerms> = {}, nowMs = at(300)): string => {
  const { state, reason } = end(facts, changed, nowMs)
  return reason === null ? state : `${state}: ${reason}`
}

describe('moves and their grades', () => {
  it('begin with the issue and who did it', () => {
    expect(end([]).moves).toEqual([
      {
        state: 'queued',
        atMs: at(0),
        observedAtMs: null,
        implied: false,
        grade: 'person',
        evidence: { kind: 'issue', id: 'task_1' },
        by: 'key_1',
      },
    ])
  })

  it('bear the grade of their evidence', () => {
    const { moves } = end([complete(20), reply('checked', 25), report('2.0', 60), attest('confirmed', 62)])
    expect(moves.map(({ state, grade, implied }) => [state, grade, implied])).toEqual([
      ['queued', 'person', false],
      ['fetched', 'acknowledged', false],
      ['verified', 'reported', false],
      ['applied', 'reported', false],
      ['confirmed', 'person', false],
    ])
    expect(moves.at(-1)).toMatchObject({ by: 'key_2', observedAtMs: null })
  })

  it('call an inferred completion inferred, and take it only where the profile allows it', () => {
    const inferred = complete(20, { completeGrade: 'inferred' })
    expect(end([inferred]).moves.at(-1)).toMatchObject({ state: 'fetched', grade: 'inferred' })
    expect(stateOf([inferred], { inferredAllowed: false })).toBe('queued')
    expect(stateOf([complete(20)], { inferredAllowed: false })).toBe('fetched')
  })

  it('take a copy link read to the end for fetched by hand, and not by air', () => {
    expect(end([copied(20)], { method: 'card' }).moves.at(-1)).toMatchObject({ state: 'fetched', grade: 'copy' })
    expect(end([complete(20)], { method: 'cable' }).moves.at(-1)).toMatchObject({ state: 'fetched', grade: 'copy' })
    expect(stateOf([copied(20)])).toBe('queued')
  })
})

describe('rule 2: the target reported', () => {
  it('moves to applied from queued; the states between are stamped implied by the same report', () => {
    const target = report('2.0', 60)
    const { moves } = end([old, complete(70), target])
    expect(moves.slice(1).map(({ state, implied, atMs, evidence }) => [state, implied, atMs, evidence.id])).toEqual([
      ['fetched', true, at(60), target.id],
      ['verified', true, at(60), target.id],
      ['applied', false, at(60), target.id],
    ])
  })

  it('stamps nothing that has evidence of its own', () => {
    const { moves } = end([complete(20), report('2.0', 60, { digest: DIGESTS.sha256 })])
    expect(moves.map(({ implied }) => implied)).toEqual([false, false, false, false])
  })

  it('is flagged where nothing had been fetched by this link', () => {
    const flag = 'not-by-this-link'
    expect(end([report('2.0', 60)]).flags).toContain(flag)
    expect(end([report('2.0', 60), ledger()]).flags).toContain(flag)
    expect(end([report('2.0', 60), complete(70)]).flags).toContain(flag)
    expect(end([report('2.0', 60), partial(20, { acknowledgedBytes: 0 })]).flags).toContain(flag)
  })

  it('is not flagged where something was fetched, may have been, or goes by hand', () => {
    expect(end([report('2.0', 60), complete(20)]).flags).toEqual([])
    expect(end([report('2.0', 60), partial(20)]).flags).toEqual([])
    expect(end([report('2.0', 60), partial(20, { acknowledgedBytes: null })]).flags).toEqual([])
    expect(end([report('2.0', 60)], { method: 'card' }).flags).toEqual([])
  })
})

describe('rule 3: which check-ins count', () => {
  it('those observed before the issue move nothing', () => {
    expect(stateOf([report('2.0', -1, { receivedAtMs: at(30) })])).toBe('queued')
    expect(stateOf([report('1.0', -1, { digest: DIGESTS.md5 })])).toBe('queued')
    expect(stateOf([report('2.0', 0)])).toBe('applied')
  })

  it('of two versions at the same instant neither counts, flagged', () => {
    const { state, flags } = end([old, report('2.0', 60), report('1.0', 60, { source: 'reply' })])
    expect({ state, flags }).toEqual({ state: 'queued', flags: ['versions-conflict'] })
    expect(stateOf([old, report('2.0', 60), report('1.0', 61, { source: 'reply' }), complete(20)])).toBe('applied')
    expect(end([old, report('2.0', 60), report('2.0', 60, { source: 'reply' })]).flags).not.toContain(
      'versions-conflict',
    )
  })

  it('of doubles by id, or by source, time and version, one counts', () => {
    const first = report('2.0', 60, { id: 'x' })
    expect(stateOf([first, report('2.0', 90, { id: 'x', receivedAtMs: at(91) })])).toBe('applied')
    expect(stateOf([first, report('2.0', 90, { id: 'x', source: 'reply' })])).toBe('confirmed')
    const again = report('1.0', 60, { digest: 'ff'.repeat(16), id: 'y', receivedAtMs: at(70) })
    expect(end([{ ...again, digest: null, receivedAtMs: at(60), id: 'z' }, again]).flags).toEqual([])
  })

  it('without observedAt: applied, never confirmed, unless it answers a query sent after the soak', () => {
    const first = report('2.0', 60, { timing: 'receipt' })
    const second = (answersQuerySentAtMs: number | null): Fact =>
      report('2.0', 90, { timing: 'receipt', answersQuerySentAtMs })
    expect(stateOf([first])).toBe('applied')
    expect(stateOf([first, second(null)])).toBe('applied')
    expect(stateOf([first, second(at(74))])).toBe('applied')
    expect(stateOf([first, second(at(75))])).toBe('confirmed')
    expect(stateOf([first, second(at(91))])).toBe('applied') // Sent after its answer came.
    expect(stateOf([first, report('2.0', 75)])).toBe('confirmed')
  })

  it('with a time that cannot be true: applied, never confirmed, flagged', () => {
    const clock = (minute: number): Fact => report('2.0', minute, { timing: 'clock', answersQuerySentAtMs: at(80) })
    expect(end([complete(20), clock(60), clock(90)])).toMatchObject({ state: 'applied', flags: ['clock'] })
  })
})

describe('rule 4: fromVersion', () => {
  it('is the last version observed before the issue', () => {
    expect(end([report('0.8', -90), report('1.0', -10), report('0.9', -30)]).fromVersion).toBe('1.0')
  })

  it('where unknown the first one observed before fetched, and none observed later', () => {
    expect(end([report('1.0', 5), report('1.5', 6)], { earlierTargets: ['1.5'] }).fromVersion).toBe('1.0')
    expect(end([report('1.5', 5)], { earlierTargets: ['1.5'] }).fromVersion).toBe('1.5')
    expect(end([complete(4), report('1.0', 5)]).fromVersion).toBe(null)
    expect(end([report('2.0', 5)]).fromVersion).toBe(null)
  })

  it('leaves out versions in conflict, and says so where that mattered', () => {
    const conflict = [report('1.2', -5), report('1.3', -5, { source: 'reply' })]
    expect(end([old, ...conflict])).toMatchObject({ fromVersion: '1.0', flags: ['versions-conflict'] })
    expect(end([report('1.0', -1), ...conflict])).toMatchObject({ fromVersion: '1.0', flags: [] })
  })

  it('learned late and off the path is shown, and moves nothing', () => {
    expect(end([old], { installsOver: ['1.5'] })).toMatchObject({ state: 'queued', flags: ['path-not-allowed'] })
    expect(end([old], { installsOver: ['1.0'] }).flags).toEqual([])
  })

  describe('equal to the target (forced)', () => {
    const same = report('2.0', -60)
    it('a report of the target counts only after fetched or verified and the install time', () => {
      expect(stateOf([same, report('2.0', 60)], { forced: true })).toBe('queued')
      expect(stateOf([same, complete(20), report('2.0', 50)], { forced: true })).toBe('fetched')
      expect(end([same, complete(20), report('2.0', 51)], { forced: true })).toMatchObject({
        state: 'applied',
        flags: ['same-version'],
      })
      expect(stateOf([same, complete(20), report('2.0', 51), report('2.0', 66)], { forced: true })).toBe('confirmed')
    })
    it('a right digest counts only once something was fetched', () => {
      const digest = DIGESTS.sha256
      expect(stateOf([same, report('2.0', 10, { digest })], { forced: true })).toBe('queued')
      expect(stateOf([same, complete(5), report('2.0', 10, { digest })], { forced: true })).toBe('verified')
    })
    it('force for a unit with another version asks for nothing more', () => {
      expect(stateOf([old, report('2.0', 60)], { forced: true })).toBe('applied')
      expect(stateOf([same, report('1.0', 10), report('2.0', 60)], { forced: true })).toBe('applied')
    })
  })
})

describe('rule 5: not-applied', () => {
  const fetched = [old, complete(20)]
  it('needs two old-version reports after the install time that lie far enough apart', () => {
    expect(stateOf([...fetched, report('1.0', 51), report('1.0', 61)])).toBe('failed: not-applied')
    expect(stateOf([...fetched, report('1.0', 51)])).toBe('fetched')
    expect(stateOf([...fetched, report('1.0', 51), report('1.0', 60)])).toBe('fetched')
    expect(stateOf([...fetched, report('1.0', 50), report('1.0', 60)])).toBe('fetched')
    expect(stateOf([...fetched, report('1.0', 51), report('1.0', 60), report('1.0', 61)])).toBe('failed: not-applied')
  })

  it('counts the install time from verified where there is one', () => {
    const facts = [...fetched, reply('checked', 40), report('1.0', 51), report('1.0', 61)]
    expect(stateOf(facts)).toBe('verified')
    expect(stateOf([...facts, report('1.0', 71), report('1.0', 81)])).toBe('failed: not-applied')
  })

  it('and never while a damaged copy is fetched again: from the last byte of that, or from the word of the damage', () => {
    const damaged = report('1.0', 25, { digest: 'ff'.repeat(32) })
    const reports = [report('1.0', 51), report('1.0', 61)]
    const again = complete(20, { lastByteAtMs: at(60) })
    expect(stateOf([old, again, damaged, ...reports])).toBe('fetched')
    expect(stateOf([old, again, damaged, report('1.0', 91), report('1.0', 101)])).toBe('failed: not-applied')
    expect(stateOf([old, complete(20), damaged, ...reports])).toBe('fetched') // 51 is within 30 minutes of 25.
    expect(stateOf([old, complete(20), damaged, report('1.0', 56), report('1.0', 66)])).toBe('failed: not-applied')
    // Without a damaged copy a further fetch changes nothing: the first one was whole.
    expect(stateOf([old, again, ...reports])).toBe('failed: not-applied')
  })

  it('never from one observation told twice, however small the distance', () => {
    const twice = [report('1.0', 51), report('1.0', 51, { source: 'reply' })]
    expect(stateOf([...fetched, ...twice], { reportsApartMs: 0 })).toBe('fetched')
  })

  it('does not hold where the target is seen anywhere later', () => {
    expect(stateOf([...fetched, report('1.0', 51), report('1.0', 61), report('2.0', 90)])).toBe('applied')
  })

  it('takes the target of an earlier task for an old version', () => {
    const reports = [report('1.5', 51), report('1.5', 61)]
    expect(stateOf([...fetched, ...reports], { earlierTargets: ['1.5'] })).toBe('failed: not-applied')
  })

  it('counts from the last byte where all was sent and nothing can be counted', () => {
    const reports = [old, report('1.0', 51), report('1.0', 61)]
    expect(stateOf([...reports, partial(20, { sentWhole: true, acknowledgedBytes: null })])).toBe('failed: not-applied')
  })

  it('but not from the last byte of a download that broke off: a lorry may stand over the weekend', () => {
    const reports = [old, report('1.0', 51), report('1.0', 61)]
    expect(stateOf([...reports, partial(20)])).toBe('queued')
    expect(stateOf([...reports, partial(20, { sentWhole: true })])).toBe('queued')
    expect(stateOf([...reports, partial(20, { acknowledgedBytes: null })])).toBe('queued')
    expect(stateOf(reports)).toBe('queued')
  })
})

describe('rule 5: reverted', () => {
  const applied = [old, complete(20), report('2.0', 40)]
  it('by the source that had reported the target, or by two others', () => {
    expect(stateOf([...applied, report('1.0', 50)])).toBe('failed: reverted')
    const others = [report('1.0', 50, { source: 'reply' }), report('1.0', 52, { source: 'bench' })]
    expect(stateOf([...applied, ...others])).toBe('failed: reverted')
  })

  it('not by one other source, and not by what was observed before', () => {
    expect(stateOf([...applied, report('1.0', 50, { source: 'reply' }), report('1.0', 52, { source: 'reply' })])).toBe(
      'applied',
    )
    expect(stateOf([...applied, report('1.0', 39, { receivedAtMs: at(100) })])).toBe('applied')
  })
})

describe('rule 5: unexpected-version', () => {
  it('only after fetched, only for a version that nobody knew of', () => {
    expect(stateOf([old, complete(20), report('9.9', 25)])).toBe('failed: unexpected-version')
    expect(stateOf([old, complete(20), report('2.0', 25), report('9.9', 30)])).toBe('failed: unexpected-version')
    expect(stateOf([old, complete(20), report('1.0', 25)])).toBe('fetched')
    expect(stateOf([old, complete(20), report('1.5', 25)], { earlierTargets: ['1.5'] })).toBe('fetched')
  })

  it('before fetched it sets fromVersion, and the path is checked again', () => {
    const facts = [old, report('1.1', 10)]
    expect(end(facts)).toMatchObject({ state: 'queued', fromVersion: '1.1' })
    expect(end(facts, { installsOver: ['1.0', '1.1'] })).toMatchObject({ state: 'queued', fromVersion: '1.1' })
    expect(end(facts, { installsOver: ['1.0'] })).toMatchObject({ state: 'failed', reason: 'path-not-allowed' })
    expect(stateOf([report('1.1', 10)], { installsOver: ['1.0'] })).toBe('failed: path-not-allowed')
    expect(stateOf([old, report('1.5', 10)], { installsOver: ['1.0'], earlierTargets: ['1.5'] })).toBe('queued')
  })

  it('leaves a version that was fromVersion before alone', () => {
    expect(stateOf([old, report('1.1', 10), complete(20), report('1.0', 25)])).toBe('fetched')
  })

  it('with no version known from before, the first one is taken for the old one, flagged; a second is unexpected', () => {
    const facts = [complete(20), report('1.0', 25)]
    expect(end(facts)).toMatchObject({ state: 'fetched', flags: ['from-version-unknown'] })
    expect(stateOf([...facts, report('9.9', 30)])).toBe('failed: unexpected-version')
    expect(stateOf([...facts, report('1.0', 51), report('1.0', 61)])).toBe('failed: not-applied')
  })
})
