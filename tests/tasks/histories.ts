// Hand-made facts for the described rules, and random histories for the properties.
import fc from 'fast-check'
import type { Fact, TaskTerms } from '../../src/tasks/facts.js'

export const MINUTE_MS = 60_000
export const HOUR_MS = 60 * MINUTE_MS
export const DAY_MS = 24 * HOUR_MS
export const ISSUED_MS = Date.UTC(2026, 2, 2, 8)
export const SOAK_MS = 15 * MINUTE_MS
export const INSTALL_MS = 30 * MINUTE_MS

/** Minutes after the issue as Unix ms. */
export const at = (minutes: number): number => ISSUED_MS + minutes * MINUTE_MS

export const DIGESTS = {
  sha256: 'a1'.repeat(32),
  sha1: 'b2'.repeat(20),
  md5: 'c3'.repeat(16),
  crc32: 'd4e5f607',
}

/** Defaults of the domain: install 30 min, soak 15 min, reports 10 min apart, deadline 7 days, damaged at the second. */
export function termsOf(changed: Partial<TaskTerms> = {}): TaskTerms {
  return {
    id: 'task_1',
    method: 'air',
    target: '2.0',
    installsOver: null,
    forced: false,
    issuedAtMs: ISSUED_MS,
    issuedBy: 'key_1',
    deadlineMs: ISSUED_MS + 7 * DAY_MS,
    earlierTargets: [],
    installMs: INSTALL_MS,
    soakMs: SOAK_MS,
    reportsApartMs: 10 * MINUTE_MS,
    damagedAfter: 2,
    inferredAllowed: true,
    digests: DIGESTS,
    ...changed,
  }
}

export type Of<Kind extends Fact['kind']> = Extract<Fact, { kind: Kind }>

let made = 0
const nextId = (kind: string): string => `${kind}_${++made}`

/** A check-in of the platform, observed and received at that minute. */
export function report(version: string, minute: number, changed: Partial<Of<'checkin'>> = {}): Of<'checkin'> {
  const observedAtMs = changed.observedAtMs ?? at(minute)
  return {
    kind: 'checkin',
    id: nextId('checkin'),
    version,
    observedAtMs,
    receivedAtMs: observedAtMs,
    source: 'platform',
    timing: 'stated',
    answersQuerySentAtMs: null,
    digest: null,
    ...changed,
  }
}

export function ledger(changed: Partial<Of<'ledger'>> = {}): Of<'ledger'> {
  return {
    kind: 'ledger',
    id: 'link_1',
    firstAskedAtMs: null,
    lastByteAtMs: null,
    acknowledgedBytes: 0,
    sentWhole: false,
    completeAtMs: null,
    completeGrade: null,
    budgetSpentAtMs: null,
    ...changed,
  }
}

/** Asked a minute before, whole and acknowledged at that minute. */
export const complete = (minute: number, changed: Partial<Of<'ledger'>> = {}): Of<'ledger'> =>
  ledger({
    firstAskedAtMs: at(minute - 1),
    lastByteAtMs: at(minute),
    acknowledgedBytes: 5_000_000,
    sentWhole: true,
    completeAtMs: at(minute),
    completeGrade: 'acknowledged',
    ...changed,
  })

/** Asked a minute before; some bytes until that minute. */
export const partial = (minute: number, changed: Partial<Of<'ledger'>> = {}): Of<'ledger'> =>
  ledger({ firstAskedAtMs: at(minute - 1), lastByteAtMs: at(minute), acknowledgedBytes: 1_816_064, ...changed })

export const sent = (minute: number): Of<'sent'> => ({
  kind: 'sent',
  id: nextId('sent'),
  atMs: at(minute),
  by: 'key_1',
})
export const copied = (minute: number): Of<'copied'> => ({ kind: 'copied', id: nextId('copied'), atMs: at(minute) })
export const reply = (meaning: Of<'reply'>['meaning'], minute: number): Of<'reply'> => ({
  kind: 'reply',
  id: nextId('reply'),
  meaning,
  observedAtMs: at(minute),
})
export const attest = (
  state: Of<'attest'>['state'],
  minute: number,
  reason: Of<'attest'>['reason'] = null,
): Of<'attest'> => ({ kind: 'attest', id: nextId('attest'), atMs: at(minute), by: 'key_2', state, reason })
export const cancel = (minute: number, reason: string | null = null): Of<'cancel'> => ({
  kind: 'cancel',
  id: nextId('cancel'),
  atMs: at(minute),
  by: 'key_2',
  reason,
})
export const supersede = (minute: number): Of<'supersede'> => ({
  kind: 'supersede',
  id: nextId('supersede'),
  atMs: at(minute),
  by: 'key_2',
})
export const withdrawn = (minute: number): Of<'withdrawn'> => ({
  kind: 'withdrawn',
  id: nextId('withdrawn'),
  atMs: at(minute),
})

// Random histories. A coarse grid of times and few versions, sources and ids make the rare things frequent: doubles,
// conflicts, same instants, reports at the edge of soak, install time and deadline.
const DEADLINE_MINUTES = 240
const GRID_MINUTES = 5
const minuteOf = (from: number, to: number): fc.Arbitrary<number> =>
  fc.integer({ min: from / GRID_MINUTES, max: to / GRID_MINUTES }).map((step) => step * GRID_MINUTES)
const lifetime = minuteOf(0, DEADLINE_MINUTES + 60)

export const arbitraryTerms: fc.Arbitrary<TaskTerms> = fc
  .record({
    method: fc.constantFrom('air' as const, 'air' as const, 'air' as const, 'cable' as const, 'card' as const),
    installsOver: fc.constantFrom<string[] | null>(null, null, ['1.0'], ['1.0', '0.9']),
    forced: fc.boolean(),
    earlierTargets: fc.constantFrom<string[]>([], ['1.5']),
    damagedAfter: fc.integer({ min: 1, max: 3 }),
    inferredAllowed: fc.boolean(),
    soakMs: fc.constantFrom(0, SOAK_MS),
    installMs: fc.constantFrom(10 * MINUTE_MS, INSTALL_MS),
  })
  .map((changed) => termsOf({ deadlineMs: at(DEADLINE_MINUTES), ...changed }))

const versionOf = fc.constantFrom('2.0', '2.0', '2.0', '1.0', '1.0', '1.5', '0.9', '3.7')
const digestOf = fc.constantFrom(null, null, null, null, ...Object.values(DIGESTS), 'ff'.repeat(32), '00000000', 'abc')

export const checkinBetween = (from: number, to: number): fc.Arbitrary<Of<'checkin'>> =>
  fc
    .record({
      id: fc.integer({ min: 0, max: 40 }).map((n) => `c${n}`),
      version: versionOf,
      minute: minuteOf(from, to),
      // From five minutes ahead (a fast clock) to an hour late.
      delayMinutes: minuteOf(-5, 60),
      source: fc.constantFrom('platform', 'reply', 'bench'),
      timing: fc.constantFrom('stated' as const, 'stated' as const, 'receipt' as const, 'clock' as const),
      queryMinute: fc.option(minuteOf(0, 120)),
      digest: digestOf,
    })
    .map(({ minute, delayMinutes, queryMinute, ...checkin }) => ({
      kind: 'checkin' as const,
      ...checkin,
      observedAtMs: at(minute),
      receivedAtMs: at(minute + (checkin.timing === 'stated' ? delayMinutes : 0)),
      answersQuerySentAtMs: queryMinute === null ? null : at(queryMinute),
    }))

const ledgerOf: fc.Arbitrary<Of<'ledger'>> = fc
  .record({
    asked: fc.option(minuteOf(0, 120)),
    lasts: minuteOf(0, 60),
    counted: fc.boolean(),
    outcome: fc.constantFrom('partial', 'none', 'sent', 'acknowledged', 'inferred', 'acknowledged'),
    spentAfter: fc.option(minuteOf(0, 30), { freq: 3 }),
  })
  .map(({ asked, lasts, counted, outcome, spentAfter }) => {
    if (asked === null) return ledger()
    const grade = outcome === 'acknowledged' || outcome === 'inferred' ? outcome : null
    return ledger({
      firstAskedAtMs: at(asked),
      lastByteAtMs: at(asked + lasts),
      acknowledgedBytes: counted || grade === 'acknowledged' ? (outcome === 'none' ? 0 : 1_000) : null,
      sentWhole: outcome === 'sent' || grade !== null,
      completeAtMs: grade === null ? null : at(asked + lasts),
      completeGrade: grade,
      budgetSpentAtMs: spentAfter === null ? null : at(asked + lasts + spentAfter),
    })
  })

const wordOf: fc.Arbitrary<Fact> = fc.oneof(
  { weight: 3, arbitrary: lifetime.map((minute) => sent(minute)) },
  { weight: 1, arbitrary: lifetime.map((minute) => copied(minute)) },
  {
    weight: 3,
    arbitrary: fc
      .tuple(fc.constantFrom('fetched' as const, 'checked' as const, 'refused' as const), minuteOf(-30, 300))
      .map(([meaning, minute]) => reply(meaning, minute)),
  },
  {
    weight: 3,
    arbitrary: fc
      .tuple(
        fc.constantFrom('fetched' as const, 'verified' as const, 'confirmed' as const, 'failed' as const),
        lifetime,
      )
      .map(([state, minute]) => attest(state, minute, state === 'failed' ? 'no-life' : null)),
  },
  { weight: 1, arbitrary: lifetime.map((minute) => cancel(minute)) },
  { weight: 1, arbitrary: lifetime.map((minute) => supersede(minute)) },
  { weight: 1, arbitrary: lifetime.map((minute) => withdrawn(minute)) },
)

export const arbitraryFacts: fc.Arbitrary<Fact[]> = fc
  .tuple(
    fc.array(checkinBetween(-60, DEADLINE_MINUTES + 60), { maxLength: 12 }),
    fc.array(wordOf, { maxLength: 3 }),
    fc.option(ledgerOf, { freq: 5 }),
  )
  .map(([checkins, words, link]) => [...checkins, ...words, ...(link ? [link] : [])])

export interface History {
  terms: TaskTerms
  facts: Fact[]
  nowMs: number
}

export const arbitraryHistory: fc.Arbitrary<History> = fc.record({
  terms: arbitraryTerms,
  facts: arbitraryFacts,
  nowMs: minuteOf(0, DEADLINE_MINUTES + 120).map(at),
})

/** When the record learns of a fact; a ledger grows, see `knownBy`. */
export function arrivalMs(fact: Exclude<Fact, { kind: 'ledger' }>): number {
  if (fact.kind === 'checkin') return fact.receivedAtMs
  if (fact.kind === 'held') return fact.fromMs
  return fact.kind === 'reply' ? fact.observedAtMs : fact.atMs
}

/** What the record held at that time: the facts that had come, and the ledger as it then stood. */
export function knownBy(facts: readonly Fact[], nowMs: number): Fact[] {
  const by = (atMs: number | null): number | null => (atMs !== null && atMs <= nowMs ? atMs : null)
  return facts.flatMap((fact): Fact[] => {
    if (fact.kind !== 'ledger') return arrivalMs(fact) <= nowMs ? [fact] : []
    if (by(fact.firstAskedAtMs) === null) return []
    const lastByteAtMs = by(fact.lastByteAtMs)
    const completeAtMs = by(fact.completeAtMs)
    return [
      {
        ...fact,
        lastByteAtMs,
        completeAtMs,
        completeGrade: completeAtMs === null ? null : fact.completeGrade,
        sentWhole: fact.sentWhole && lastByteAtMs !== null,
        budgetSpentAtMs: by(fact.budgetSpentAtMs),
      },
    ]
  })
}

/** Every instant at which the record learns something. */
export function arrivals(facts: readonly Fact[]): number[] {
  const times = facts.flatMap((fact) =>
    fact.kind === 'ledger'
      ? [fact.firstAskedAtMs, fact.lastByteAtMs, fact.completeAtMs, fact.budgetSpentAtMs]
      : [arrivalMs(fact)],
  )
  return [...new Set(times.filter((time) => time !== null))].sort((a, b) => a - b)
}
