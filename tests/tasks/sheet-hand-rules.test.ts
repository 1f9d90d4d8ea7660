// What is different by hand (docs/evidence.md): the copy lies with a technician, and a person says how it went.
import { describe, expect, it } from 'vitest'
import { derive } from '../../src/tasks/derive.js'
import type { Fact, TaskTerms } from '../../src/tasks/facts.js'
import { at, attest, copied, DIGESTS, report, termsOf } from './histories.js'

const HOUR = 60
const DAY = 24 * HOUR
const end = (facts: Fact[], minute: number, changed: Partial<TaskTerms> = { method: 'card' }) =>
  derive(termsOf(changed), facts, at(minute))
const old = (minute: number, source?: string) => report('1.0', minute, source === undefined ? {} : { source })
const word = (digest: string, minute: number): Fact => ({ ...attest('verified', minute), digest })

describe('by hand, what a unit reports while the copy lies with the technician', () => {
  const road = [old(-10), old(90), old(150), old(210)]

  it('fails nothing, however long; over the air the same reports after the fetch are a failure', () => {
    expect(end([...road, copied(20)], 4 * HOUR)).toMatchObject({ state: 'fetched', reason: null })
    const air = end([...road, { ...attest('fetched', 20) }], 4 * HOUR, { method: 'air' })
    expect(air).toMatchObject({ state: 'failed', reason: 'not-applied' })
  })

  it('sets fromVersion anew, and is checked against the path', () => {
    const other = [old(-10), copied(20), report('1.5', 60)]
    expect(end(other, 2 * HOUR)).toMatchObject({ state: 'fetched', fromVersion: '1.5' })
    const path = { method: 'card' as const, installsOver: ['1.0'] }
    expect(end(other, 2 * HOUR, path)).toMatchObject({ state: 'failed', reason: 'path-not-allowed' })
  })

  it('once the copy was checked: only what is read at the unit shows that it was not applied', () => {
    const checked = [old(-10), word(DIGESTS.sha256, 20)]
    expect(end([...checked, old(60), old(80), old(100)], 2 * HOUR).state).toBe('verified')
    expect(end([...checked, old(60, 'bench'), old(80, 'bench')], 2 * HOUR)).toMatchObject({ reason: 'not-applied' })
    expect(end([...checked, old(60, 'bench')], 2 * HOUR).state).toBe('verified')
    expect(end([...checked, report('9.9', 60, { source: 'bench' })], 2 * HOUR)).toMatchObject({
      state: 'failed',
      reason: 'unexpected-version',
    })
  })

  it('the target applies from wherever it is reported, as over the air', () => {
    expect(end([copied(20), report('2.0', 60)], 2 * HOUR).state).toBe('applied')
  })
})

describe('a digest with a person’s word', () => {
  const other = 'ab'.repeat(32)

  it('verifies where it is the package’s, in any of the four algorithms and any letter case', () => {
    for (const digest of Object.values(DIGESTS))
      expect(end([word(digest.toUpperCase(), 20)], HOUR).state).toBe('verified')
  })

  it('counts as a damaged copy where it is not: flagged once, final the second time, good again after a good one', () => {
    expect(end([word(other, 20)], HOUR)).toMatchObject({ state: 'queued', flags: ['digest-mismatch'] })
    expect(end([word(other, 20), word(other, 25)], HOUR)).toMatchObject({ state: 'failed', reason: 'damaged' })
    expect(end([word(other, 20), word(DIGESTS.sha256, 25), word(other, 30)], HOUR).state).toBe('verified')
    // The same word at the same time is one.
    expect(end([word(other, 20), word(other, 20)], HOUR).state).toBe('queued')
  })

  it('is the cause at the deadline where it was wrong last (rule 10)', () => {
    expect(end([word(other, 20)], 8 * DAY)).toMatchObject({ state: 'failed', reason: 'damaged' })
  })
})

describe('the standing of a hand task', () => {
  const words = (facts: Fact[], minute: number) => {
    const { cause, next } = end(facts, minute).standing
    return `${cause ?? ''} ${next ?? ''}`
  }
  it.each<[string, Fact[], number, RegExp]>([
    ['nothing yet', [], HOUR, /Print the sheet/],
    ['copied', [copied(20)], HOUR, /Install by the sheet, read the version at the bench/],
    ['bad copy', [word('ab'.repeat(32), 20)], HOUR, /fetch the file again with the copy link/],
    ['old version read after it', [copied(20), old(90, 'bench')], 2 * HOUR, /When it does not come up/],
    ['soaking', [report('2.0', 60)], 61, /Read the version at the bench once more/],
    ['lapsed', [], 8 * DAY, /print its sheet/],
    ['no answer', [copied(20)], 8 * DAY, /Read the version at the bench/],
  ])('speaks of hand work: %s', (_name, facts, minute, wanted) => {
    expect(words(facts, minute)).toMatch(wanted)
    expect(words(facts, minute)).not.toMatch(/text|SIM|coverage|ignition|Ask the unit/)
  })

  it('is not “still old” for what the unit reports from the road', () => {
    expect(words([copied(20), old(90)], 2 * HOUR)).not.toMatch(/does not come up/)
  })
})
