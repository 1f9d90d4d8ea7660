// Every state × every kind of fact, walked whole. Beyond the domain's own table there is no published source.
import { describe, expect, it } from 'vitest'
import { derive } from '../../src/tasks/derive.js'
import type { Fact, TaskState } from '../../src/tasks/facts.js'
import {
  at,
  attest,
  cancel,
  complete,
  copied,
  DIGESTS,
  ledger,
  reply,
  report,
  sent,
  supersede,
  termsOf,
  withdrawn,
} from './histories.js'

const from = report('1.0', -60)
/** How each state is come to, all of it before minute 60. */
const HISTORIES: Record<TaskState, Fact[]> = {
  queued: [from],
  fetched: [from, complete(50)],
  verified: [from, complete(50), reply('checked', 51)],
  applied: [from, complete(50), report('2.0', 52)],
  confirmed: [from, report('2.0', 20), report('2.0', 40)],
  failed: [from, reply('refused', 50)],
  cancelled: [from, cancel(50)],
  lapsed: [from],
  superseded: [from, supersede(50)],
}
const STATES = Object.keys(HISTORIES) as TaskState[]

const MINUTE = 70 // After the soak of the applied history, within its install time.
const late = (minute: number): number => minute + 8 * 24 * 60 // For the lapsed history: after the deadline.
type Make = (minute: number) => Fact[]
/** The fact, and the state it leads to from queued, fetched, verified, applied. `=` stays. Finals always stay. */
const TABLE: [name: string, make: Make, queued: string, fetched: string, verified: string, applied: string][] = [
  ['check-in, target', (m) => [report('2.0', m)], 'applied', 'applied', 'applied', 'confirmed'],
  ['check-in, old version', (m) => [report('1.0', m, { source: 'reply' })], '=', '=', '=', '='],
  ['check-in, unknown version', (m) => [report('9.9', m)], '=', 'failed', 'failed', 'failed'],
  [
    'check-in, digest right',
    (m) => [report('1.0', m, { source: 'x', digest: DIGESTS.md5 })],
    'verified',
    'verified',
    '=',
    '=',
  ],
  ['check-in, digest wrong', (m) => [report('1.0', m, { source: 'x', digest: 'ff'.repeat(16) })], '=', '=', '=', '='],
  ['sent', (m) => [sent(m)], '=', '=', '=', '='],
  ['ledger, nothing new', () => [ledger({ id: 'link_2' })], '=', '=', '=', '='],
  ['ledger, acknowledged whole', (m) => [complete(m, { id: 'link_2' })], 'fetched', '=', '=', '='],
  [
    'ledger, inferred whole',
    (m) => [complete(m, { id: 'link_2', completeGrade: 'inferred' })],
    'fetched',
    '=',
    '=',
    '=',
  ],
  ['ledger, budget spent', (m) => [ledger({ id: 'link_2', budgetSpentAtMs: at(m) })], 'failed', '=', '=', '='],
  ['copy link read (air)', (m) => [copied(m)], '=', '=', '=', '='],
  ['reply fetched', (m) => [reply('fetched', m)], 'fetched', '=', '=', '='],
  ['reply checked', (m) => [reply('checked', m)], 'verified', 'verified', '=', '='],
  ['reply refused', (m) => [reply('refused', m)], 'failed', 'failed', 'failed', '='],
  ['attest fetched', (m) => [attest('fetched', m)], 'fetched', '=', '=', '='],
  ['attest verified', (m) => [attest('verified', m)], 'verified', 'verified', '=', '='],
  ['attest confirmed', (m) => [attest('confirmed', m)], '=', '=', '=', 'confirmed'],
  ['attest failed', (m) => [attest('failed', m, 'no-life')], 'failed', 'failed', 'failed', 'failed'],
  ['cancel', (m) => [cancel(m)], 'cancelled', 'cancelled', 'cancelled', 'cancelled'],
  ['supersede', (m) => [supersede(m)], 'superseded', 'superseded', 'superseded', 'superseded'],
  ['withdrawn', (m) => [withdrawn(m)], 'cancelled', '=', '=', '='],
  ['two versions at one instant', (m) => [report('2.0', m), report('1.0', m)], '=', '=', '=', '='],
  ['nothing', () => [], '=', '=', '=', '='],
]

describe('every state × every kind of fact', () => {
  const nowMs = at(MINUTE + 1)
  const afterDeadlineMs = at(late(MINUTE) + 1)

  it.each(STATES)('the history for %s ends there', (state) => {
    expect(derive(termsOf(), HISTORIES[state], state === 'lapsed' ? afterDeadlineMs : nowMs).state).toBe(state)
  })

  const cells = TABLE.flatMap(([name, make, ...goals]) =>
    STATES.map((state, index) => ({ state, name, make, goal: goals[index] ?? '=' })),
  )
  it.each(cells)('$state + $name -> $goal', ({ state, make, goal }) => {
    const isLapsed = state === 'lapsed'
    const now = isLapsed ? afterDeadlineMs : nowMs
    const before = derive(termsOf(), HISTORIES[state], now)
    const after = derive(termsOf(), [...HISTORIES[state], ...make(isLapsed ? late(MINUTE) : MINUTE)], now)
    expect(after.state).toBe(goal === '=' ? state : goal)
    if (goal === '=') expect(after.moves).toEqual(before.moves)
    else expect(after.moves.slice(0, before.moves.length)).toEqual(before.moves)
  })

  it.each([
    ['queued', 'lapsed', 'deadline'],
    ['fetched', 'failed', 'no-answer'],
    ['verified', 'failed', 'no-answer'],
    ['applied', 'applied', null],
    ['confirmed', 'confirmed', null],
    ['failed', 'failed', 'refused'],
    ['cancelled', 'cancelled', 'person'],
    ['superseded', 'superseded', 'newer-task'],
  ] as const)('%s + deadline -> %s (%s)', (state, goal, reason) => {
    expect(derive(termsOf(), HISTORIES[state], termsOf().deadlineMs)).toMatchObject({ state: goal, reason })
    expect(derive(termsOf(), HISTORIES[state], termsOf().deadlineMs - 1).state).toBe(state)
  })
})
