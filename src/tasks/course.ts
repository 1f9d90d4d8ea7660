// Where a task stands while its facts are walked, and the only two ways it changes: a state is reached, or it closes. Pure.
import type { Afterwards, Grade, Move, OpenState, TaskFlag, TaskState, TaskTerms } from './facts.js'
import { TASK_STATES } from './facts.js'
import type { Signs, Timeline } from './timeline.js'

export interface Course {
  terms: TaskTerms
  signs: Signs
  state: TaskState
  reason: string | null
  closedAtMs: number | null
  moves: Move[]
  flags: Set<TaskFlag>
  afterwards: Afterwards[]
  fromVersion: string | null
  /**
   * What counts as old besides the targets of earlier tasks: every fromVersion this task has had, so that two sources
   * that disagree before the fetch do not make each other's version an unexpected one after it.
   */
  oldVersions: Set<string>
  /** Old-version reports while the target has not been seen, by their distinct times. */
  oldAtMs: number[]
  /** Digest mismatches since a copy was last known to be whole, by their distinct times. */
  mismatchesAtMs: Set<number>
  /** Sources of the target reports, and of the old-version reports since applied. */
  targetSources: Set<string>
  oldSources: Set<string>
  lastReportAtMs: number | null
}

/** What a move rests on. */
export interface Evidence {
  atMs: number
  observedAtMs: number | null
  grade: Grade
  of: Move['evidence']
  by: string | null
}

export function startCourse(terms: TaskTerms, timeline: Timeline): Course {
  const { fromVersion } = timeline
  const flags = new Set<TaskFlag>()
  if (timeline.conflictBeforeIssue) flags.add('versions-conflict')
  // The issue refuses such a path; a version of that time, learned later, moves nothing (rule 3) but must be seen.
  if (fromVersion !== null && !holdsPath(terms, fromVersion)) flags.add('path-not-allowed')
  const queued: Move = {
    state: 'queued',
    atMs: terms.issuedAtMs,
    observedAtMs: null,
    implied: false,
    grade: 'person',
    evidence: { kind: 'issue', id: terms.id },
    by: terms.issuedBy,
  }
  return {
    terms,
    signs: timeline.signs,
    state: 'queued',
    reason: null,
    closedAtMs: null,
    moves: [queued],
    flags,
    afterwards: [],
    fromVersion,
    oldVersions: new Set(fromVersion === null ? [] : [fromVersion]),
    oldAtMs: [],
    mismatchesAtMs: new Set(),
    targetSources: new Set(),
    oldSources: new Set(),
    lastReportAtMs: null,
  }
}

export const holdsPath = (terms: TaskTerms, version: string): boolean =>
  terms.installsOver === null || terms.installsOver.includes(version)

const stepOf = (state: TaskState): number => (TASK_STATES as readonly TaskState[]).indexOf(state)

export const isClosed = (course: Course): boolean => course.closedAtMs !== null

/** When the state was reached, null if it was not. */
export const reachedAtMs = (course: Course, state: TaskState): number | null =>
  course.moves.find((move) => move.state === state)?.atMs ?? null

function push(course: Course, state: TaskState, evidence: Evidence, implied: boolean): void {
  const { atMs, observedAtMs, grade, of, by } = evidence
  course.moves.push({ state, atMs, observedAtMs, implied, grade, evidence: of, by })
  course.state = state
}

/** Moves up to the state; those skipped are stamped implied by the same evidence. A state passed already stays as it was. */
export function reach(course: Course, state: OpenState | 'confirmed', evidence: Evidence): void {
  const goal = stepOf(state)
  for (let next = stepOf(course.state) + 1; next <= goal; next += 1)
    push(course, TASK_STATES[next]!, evidence, next < goal)
  if (state === 'verified') course.mismatchesAtMs.clear()
  if (state === 'confirmed') course.closedAtMs = evidence.atMs
}

export function close(
  course: Course,
  exit: { state: 'failed' | 'cancelled' | 'lapsed' | 'superseded'; reason: string },
  evidence: Evidence,
): void {
  // An observation may lie a little after the deadline, where a unit's clock runs ahead: moves keep their order.
  const atMs = Math.max(evidence.atMs, course.moves.at(-1)!.atMs)
  push(course, exit.state, { ...evidence, atMs }, false)
  course.reason = exit.reason
  course.closedAtMs = atMs
}

/**
 * From when on the unit had all it needs to install: verified, else fetched, else the last byte (domain rule 5). The
 * last byte counts only where nothing is known to be missing: after a download that broke off the old version is no sign
 * of a failed installation, and a stall is never an exit before the deadline (rule 6). A copy that is known to be damaged
 * is nothing to install: the unit fetches again (rule 10), and is ready with the last byte of that at the earliest.
 */
export function readyAtMs(course: Course): number | null {
  const { perhapsWhole, lastByteAtMs } = course.signs
  const readyMs =
    reachedAtMs(course, 'verified') ?? reachedAtMs(course, 'fetched') ?? (perhapsWhole ? lastByteAtMs : null) ?? null
  if (readyMs === null || course.mismatchesAtMs.size === 0) return readyMs
  return Math.max(readyMs, lastByteAtMs ?? 0, ...course.mismatchesAtMs)
}
