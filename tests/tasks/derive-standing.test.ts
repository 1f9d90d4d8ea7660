// The standings of an open task, after the table of silent cases in the field notes (field habit, no standard), what a
// person may do, and when the clock must look again.
import { describe, expect, it } from 'vitest'
import { actionsAllowed, isOpen, openStates } from '../../src/tasks/actions.js'
import { derive, nextDueMs } from '../../src/tasks/derive.js'
import { type Fact, type Standing, TASK_EXITS, TASK_STATES, type TaskTerms } from '../../src/tasks/facts.js'
import { at, cancel, complete, copied, partial, reply, report, sent, termsOf } from './histories.js'

const DAY = 24 * 60
const old = report('1.0', -60)
const standing = (facts: Fact[], minute: number, changed: Partial<TaskTerms> = {}): Standing =>
  derive(termsOf(changed), facts, at(minute)).standing

const broken = [sent(1), partial(20)]
const uncounted = [sent(1), partial(20, { sentWhole: true, acknowledgedBytes: null })]
const soaking = [sent(1), complete(20), report('2.0', 40)]
const byHand: Partial<TaskTerms> = { method: 'card' }

describe('the standing', () => {
  it.each<[string, Fact[], number, Standing['grade'], number, RegExp, Partial<TaskTerms>?]>([
    ['just issued', [old], 10, 'on-course', 0, /Send the command/],
    ['not sent', [old], 60, 'late', 0, /not been sent/],
    ['not sent for long is no silence of the unit', [old], 3 * DAY, 'late', 0, /not been sent/],
    ['sent', [sent(5)], 30, 'on-course', 5, /^/],
    ['sent, nothing asked', [sent(5)], 90, 'late', 5, /not asked for the file.*SIM/],
    ['sent, nothing asked for a day', [sent(5)], DAY + 5, 'silent', 5, /not asked/],
    ['sent again', [sent(5), sent(DAY)], DAY + 30, 'on-course', DAY, /^/],
    [
      'asked, no byte acknowledged',
      [sent(5), partial(20, { acknowledgedBytes: 0 })],
      29,
      'late',
      19,
      /no byte.*packet size/,
    ],
    ['bytes come', broken, 25, 'on-course', 20, /^/],
    ['bytes stop', broken, 60, 'late', 20, /broke off: coverage/],
    ['bytes stop over the weekend', broken, 3 * DAY, 'silent', 20, /broke off: coverage/],
    ['complete, installing', [complete(20)], 49, 'on-course', 20, /should be installing/],
    ['complete, no version', [complete(20)], 50, 'late', 20, /no version was reported/],
    ['complete, no version for three install times', [complete(20)], 110, 'silent', 20, /send a person/],
    ['all sent, nothing counted', uncounted, 60, 'late', 20, /could not be counted/],
    [
      'complete, old version after the install time',
      [old, complete(20), report('1.0', 55)],
      120,
      'late',
      20,
      /next ignition/,
    ],
    ['complete, old version long ago', [old, complete(20), report('1.0', 55)], 2 * DAY, 'silent', 55, /old version/],
    ['complete, old version within the install time', [old, complete(20), report('1.0', 45)], 48, 'on-course', 20, /^/],
    ['checked', [complete(20), reply('checked', 30)], 55, 'on-course', 30, /^/],
    ['damaged once', [old, complete(20), report('1.0', 25, { digest: 'ff'.repeat(16) })], 26, 'late', 25, /try again/],
    ['applied', soaking, 54, 'on-course', 40, /still be reported after the soak/],
    ['applied, not seen again', soaking, 60, 'late', 40, /not again after the soak/],
    ['applied, not seen again for a day', soaking, DAY + 60, 'silent', 40, /Ask the unit/],
    [
      'applied, seen again without a time',
      [...soaking, report('2.0', 70, { timing: 'receipt' })],
      71,
      'late',
      70,
      /without a time/,
    ],
    [
      'applied, another source says old',
      [old, ...soaking, report('1.0', 45, { source: 'reply' })],
      46,
      'late',
      40,
      /Another source/,
    ],
    ['applied, after the deadline', soaking, 8 * DAY, 'silent', 40, /Ask the unit/],
    ['by hand, nothing yet', [], DAY, 'on-course', 0, /copy link/, byHand],
    ['by hand, nothing for long', [], 3 * DAY, 'late', 0, /not been fetched/, byHand],
    ['by hand, no version read', [copied(20)], 3 * DAY, 'late', 20, /no version has been read/, byHand],
  ])('%s', (_name, facts, minute, grade, since, words, changed = {}) => {
    const { cause, next, ...rest } = standing(facts, minute, changed)
    expect(rest).toEqual({ grade, sinceMs: at(since) })
    expect(`${cause ?? ''} ${next ?? ''}`).toMatch(words.source === '^' ? /^/ : words)
    if (grade === 'on-course') expect(cause).toBe(null)
    else expect(cause).not.toBe(null)
  })

  it('is closed from the close on, with words for the reasons the server knows and none for a person’s own', () => {
    const failed = standing([complete(20), reply('refused', 30)], 40)
    expect(failed).toMatchObject({ grade: 'closed', sinceMs: at(30) })
    expect(failed.cause).toMatch(/refuses/)
    expect(standing([cancel(5, 'constructor')], 10)).toEqual({
      grade: 'closed',
      sinceMs: at(5),
      cause: null,
      next: null,
    })
    expect(standing([report('2.0', 5), report('2.0', 30)], 40)).toMatchObject({ grade: 'closed', cause: null })
  })
})

describe('what a person may do (rules 7 and 9)', () => {
  it('cancel and supersede while open; from fetched on only with may-be-installing', () => {
    expect(actionsAllowed('queued')).toMatchObject({ cancel: true, supersede: true, acknowledge: null })
    for (const state of ['fetched', 'verified', 'applied'] as const)
      expect(actionsAllowed(state)).toMatchObject({ cancel: true, supersede: true, acknowledge: 'may-be-installing' })
  })

  it('attest what lies ahead, confirmed only from applied, applied never', () => {
    expect(actionsAllowed('queued').attest).toEqual(['fetched', 'verified', 'failed'])
    expect(actionsAllowed('fetched').attest).toEqual(['verified', 'failed'])
    expect(actionsAllowed('verified').attest).toEqual(['failed'])
    expect(actionsAllowed('applied').attest).toEqual(['confirmed', 'failed'])
  })

  it('nothing with a closed task', () => {
    for (const state of ['confirmed', ...TASK_EXITS] as const) {
      expect(isOpen(state)).toBe(false)
      expect(actionsAllowed(state)).toEqual({ cancel: false, supersede: false, acknowledge: null, attest: [] })
    }
    expect([...openStates, 'confirmed']).toEqual([...TASK_STATES])
  })
})

describe('nextDueMs', () => {
  it('is the deadline while it can still close the task', () => {
    const terms = termsOf()
    expect(nextDueMs(terms, derive(terms, [], at(1)))).toBe(terms.deadlineMs)
    expect(nextDueMs(terms, derive(terms, [complete(5)], at(6)))).toBe(terms.deadlineMs)
  })

  it('is never for applied and for what is closed', () => {
    const terms = termsOf()
    expect(nextDueMs(terms, derive(terms, [report('2.0', 5)], at(6)))).toBe(null)
    expect(nextDueMs(terms, derive(terms, [cancel(5)], at(6)))).toBe(null)
  })
})
