// The facts of one task in the order in which they came about: doubles out, contradictions out, the rest sorted. Pure.
// The order of the array and of arrival never matters (domain rule 1).
import type { Fact, TaskTerms } from './facts.js'
import { type Held, holdsAmong } from './held.js'

type FactOf<Kind extends Fact['kind']> = Extract<Fact, { kind: Kind }>
export type Checkin = FactOf<'checkin'>
export type Ledger = FactOf<'ledger'>

/** What can make a task move, or flag it. A ledger comes apart into the instants that it speaks of. */
export type Step =
  | Exclude<Fact, Ledger | Held | FactOf<'sent'>>
  | { kind: 'complete'; id: string; grade: 'acknowledged' | 'inferred' }
  | { kind: 'budget'; id: string }
  | { kind: 'conflict'; id: string }

export interface Entry {
  /** Check-ins and replies: when observed. All else: when it happened, never before the issue. */
  atMs: number
  /** When it was there at the latest: a unit's clock may run ahead, but nothing is observed after it was received. */
  knownMs: number
  step: Step
}

/** What decides causes and the deadline, not moves. */
export interface Signs {
  lastSentAtMs: number | null
  firstSentAtMs: number | null
  firstAskedAtMs: number | null
  lastByteAtMs: number | null
  /** null = the count cannot be read, or there is no ledger. */
  acknowledgedBytes: number | null
  /** A completion that counts stands in the ledger. */
  complete: boolean
  /** Nothing known is missing, though the ledger does not reach fetched: inferred where that is not enough, or uncounted. */
  perhapsWhole: boolean
  /** Holds of the server, by their begin. */
  holds: Held[]
}

export interface Timeline {
  /** The latest version observed before the issue. */
  fromVersion: string | null
  /** Contradicting versions were observed between that and the issue. */
  conflictBeforeIssue: boolean
  entries: Entry[]
  signs: Signs
}

/**
 * Facts of one instant: what the server measured, then what the unit said, then a person's word, then what stops a task.
 * Progress thus counts before a stop of the same millisecond; the deadline comes after all of them.
 */
const RANKS = [
  'conflict',
  'complete',
  'copied',
  'reply fetched',
  'reply checked',
  'checkin',
  'attest fetched',
  'attest verified',
  'attest confirmed',
  'reply refused',
  'attest failed',
  'budget',
  'withdrawn',
  'cancel',
  'supersede',
]

function rank(step: Step): number {
  if (step.kind === 'reply') return RANKS.indexOf(`reply ${step.meaning}`)
  if (step.kind === 'attest') return RANKS.indexOf(`attest ${step.state}`)
  return RANKS.indexOf(step.kind)
}

/** A text that is the same for the same content, however the object was built. */
const contentOf = (value: object): string =>
  JSON.stringify(Object.entries(value).sort(([a], [b]) => (a < b ? -1 : a > b ? 1 : 0)))

function compareContent(a: object, b: object): number {
  const [left, right] = [contentOf(a), contentOf(b)]
  return left < right ? -1 : left > right ? 1 : 0
}

const compareEntries = (a: Entry, b: Entry): number =>
  a.atMs - b.atMs || rank(a.step) - rank(b.step) || compareContent(a.step, b.step)

/** Of doubles the one received first stands; of those received together the one that says more. */
function compareArrival(a: Checkin, b: Checkin): number {
  return (
    a.receivedAtMs - b.receivedAtMs ||
    Number(a.digest === null) - Number(b.digest === null) ||
    Number(a.answersQuerySentAtMs === null) - Number(b.answersQuerySentAtMs === null) ||
    compareContent(a, b)
  )
}

/** Domain rule 3: the same (source, id) or (source, observedAt, version) is a duplicate. */
function withoutDoubles(checkins: readonly Checkin[]): Checkin[] {
  const seen = new Set<string>()
  const kept: Checkin[] = []
  for (const checkin of [...checkins].sort(compareArrival)) {
    const byId = JSON.stringify([checkin.source, checkin.id])
    const byContent = JSON.stringify([checkin.source, checkin.observedAtMs, checkin.version])
    const isDouble = seen.has(byId) || seen.has(byContent)
    // An id stands for the first statement under it, be that a double. What a double says under a used id moves nothing,
    // so it must not hide the same observation under an id of its own.
    seen.add(byId)
    if (isDouble) continue
    seen.add(byContent)
    kept.push(checkin)
  }
  return kept
}

/** Domain rule 3: of two versions at the same instant neither counts. */
function splitConflicts(checkins: readonly Checkin[]): { sound: Checkin[]; conflictsAtMs: number[] } {
  const versions = new Map<number, Set<string>>()
  for (const { observedAtMs, version } of checkins)
    versions.set(observedAtMs, (versions.get(observedAtMs) ?? new Set()).add(version))
  const inConflict = (atMs: number): boolean => (versions.get(atMs)?.size ?? 0) > 1
  return {
    sound: checkins.filter(({ observedAtMs }) => !inConflict(observedAtMs)),
    conflictsAtMs: [...versions.keys()].filter(inConflict),
  }
}

const knownMsOf = ({ observedAtMs, receivedAtMs }: Checkin): number => Math.min(observedAtMs, receivedAtMs)

const earliest = (times: readonly (number | null)[]): number | null =>
  times.reduce((found, time) => (found === null || (time !== null && time < found) ? time : found), null)
const latest = (times: readonly (number | null)[]): number | null =>
  times.reduce((found, time) => (found === null || (time !== null && time > found) ? time : found), null)

function signsOf(terms: TaskTerms, facts: readonly Fact[]): Signs {
  const ledgers = facts.filter((fact) => fact.kind === 'ledger')
  const sentAtMs = facts.filter((fact) => fact.kind === 'sent').map(({ atMs }) => atMs)
  const uncounted = ledgers.every(({ acknowledgedBytes }) => acknowledgedBytes === null)
  return {
    firstSentAtMs: earliest(sentAtMs),
    lastSentAtMs: latest(sentAtMs),
    firstAskedAtMs: earliest(ledgers.map(({ firstAskedAtMs }) => firstAskedAtMs)),
    lastByteAtMs: latest(ledgers.map(({ lastByteAtMs }) => lastByteAtMs)),
    acknowledgedBytes: latest(ledgers.map(({ acknowledgedBytes }) => acknowledgedBytes)),
    complete: ledgers.some((ledger) => completionOf(terms, ledger) !== null),
    perhapsWhole:
      ledgers.some(({ completeAtMs }) => completeAtMs !== null) ||
      (uncounted && ledgers.some(({ sentWhole }) => sentWhole)),
    holds: holdsAmong(facts),
  }
}

/** The completion of a ledger as far as it may reach fetched: an inferred one only where the profile allows it. */
function completionOf(terms: TaskTerms, ledger: Ledger): { atMs: number; grade: 'acknowledged' | 'inferred' } | null {
  const { completeAtMs, completeGrade } = ledger
  if (completeAtMs === null || completeGrade === null) return null
  if (completeGrade === 'inferred' && !terms.inferredAllowed) return null
  return { atMs: completeAtMs, grade: completeGrade }
}

/** Facts that belong to the task by their nature: a clock that was set back between must not lose them. */
function happened(terms: TaskTerms, atMs: number, step: Step): Entry {
  const clampedMs = Math.max(atMs, terms.issuedAtMs)
  return { atMs: clampedMs, knownMs: clampedMs, step }
}

function entriesOf(terms: TaskTerms, fact: Fact): Entry[] {
  switch (fact.kind) {
    case 'sent':
    case 'checkin':
    case 'held':
      return []
    case 'ledger': {
      const entries: Entry[] = []
      const completion = completionOf(terms, fact)
      if (completion)
        entries.push(happened(terms, completion.atMs, { kind: 'complete', id: fact.id, grade: completion.grade }))
      if (fact.budgetSpentAtMs !== null)
        entries.push(happened(terms, fact.budgetSpentAtMs, { kind: 'budget', id: fact.id }))
      return entries
    }
    case 'reply':
      // One from before the issue speaks of another task.
      if (fact.observedAtMs < terms.issuedAtMs) return []
      return [{ atMs: fact.observedAtMs, knownMs: fact.observedAtMs, step: fact }]
    default:
      return [happened(terms, fact.atMs, fact)]
  }
}

/**
 * A check-in observed before the issue is no entry: it can only be the fromVersion (domain rules 3 and 4). So is one that
 * was received before it, whatever a fast clock says. One of the very millisecond of the issue is not before it, and counts.
 */
export function timelineOf(terms: TaskTerms, facts: readonly Fact[]): Timeline {
  const checkins = facts.filter((fact) => fact.kind === 'checkin')
  const { sound, conflictsAtMs } = splitConflicts(withoutDoubles(checkins))
  const isBefore = (atMs: number): boolean => atMs < terms.issuedAtMs
  const before = sound.filter((checkin) => isBefore(knownMsOf(checkin)))
  const last = before.reduce<Checkin | null>(
    (found, checkin) => (found && found.observedAtMs >= checkin.observedAtMs ? found : checkin),
    null,
  )
  const entries: Entry[] = facts.flatMap((fact) => entriesOf(terms, fact))
  for (const checkin of sound) {
    const knownMs = knownMsOf(checkin)
    if (!isBefore(knownMs)) entries.push({ atMs: checkin.observedAtMs, knownMs, step: checkin })
  }
  for (const atMs of conflictsAtMs)
    if (!isBefore(atMs)) entries.push({ atMs, knownMs: atMs, step: { kind: 'conflict', id: '' } })
  return {
    fromVersion: last?.version ?? null,
    conflictBeforeIssue: conflictsAtMs.some((atMs) => isBefore(atMs) && atMs > (last?.observedAtMs ?? -Infinity)),
    entries: entries.sort(compareEntries),
    signs: signsOf(terms, facts),
  }
}
