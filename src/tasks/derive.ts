// The state of a task from all facts about it: pure, whole, the same for every order of the array (domain rule 1). The
// clock decides two things only, the deadline and the standing. Finals are stored by the caller and not derived again.
import { isOpen } from './actions.js'
import { type Course, close, isClosed, startCourse } from './course.js'
import type { Derived, Fact, TaskTerms } from './facts.js'
import { deadlineOf } from './held.js'
import { walk } from './moves.js'
import { standingOf } from './standing.js'
import { type Signs, type Timeline, timelineOf } from './timeline.js'

type DeadlineExit = { state: 'failed' | 'lapsed'; reason: string }

/** Domain rules 6 and 10. A copy that was last known to be damaged is the better known cause. */
function deadlineExit(course: Course, signs: Signs): DeadlineExit {
  const { deadlineMs } = course.terms
  const isBy = (atMs: number | null): boolean => atMs !== null && atMs <= deadlineMs
  if (course.mismatchesAtMs.size > 0) return { state: 'failed', reason: 'damaged' }
  if (course.state !== 'queued') return { state: 'failed', reason: 'no-answer' }
  if (isBy(signs.firstAskedAtMs)) return { state: 'failed', reason: signs.perhapsWhole ? 'no-answer' : 'fetch-stalled' }
  return isBy(signs.firstSentAtMs) ? { state: 'failed', reason: 'no-answer' } : { state: 'lapsed', reason: 'deadline' }
}

/**
 * The deadline asks whether the unit ever said that it runs the target. Once applied it has said so: to fail it would
 * contradict its own report, to confirm it would claim a soak that nobody saw, and rule 6 names no exit for it. So it
 * stays open, shown as late and then silent, until a report or a person's word decides; it can be superseded any time.
 */
function follow(terms: TaskTerms, timeline: Timeline, nowMs: number): Course {
  const { entries, signs } = timeline
  const whole = (): Course => {
    const course = startCourse(terms, timeline)
    walk(course, entries)
    return course
  }
  if (nowMs < terms.deadlineMs) return whole()

  const course = startCourse(terms, timeline)
  const isInTime = ({ knownMs }: { knownMs: number }): boolean => knownMs <= terms.deadlineMs
  walk(course, entries.filter(isInTime))
  // Walked again with everything: what a fast clock dates after the deadline must still be taken in order of observation.
  if (course.state === 'applied') return whole()
  if (!isClosed(course))
    close(course, deadlineExit(course, signs), {
      atMs: terms.deadlineMs,
      observedAtMs: null,
      grade: 'inferred',
      of: { kind: 'deadline', id: terms.id },
      by: null,
    })
  walk(
    course,
    entries.filter((entry) => !isInTime(entry)),
  )
  return course
}

export function derive(issued: TaskTerms, facts: readonly Fact[], nowMs: number): Derived {
  const terms = { ...issued, deadlineMs: deadlineOf(issued, facts) }
  const timeline = timelineOf(terms, facts)
  const course = follow(terms, timeline, nowMs)
  const { state, reason, closedAtMs, fromVersion, moves, afterwards } = course
  return {
    state,
    reason,
    closedAtMs,
    fromVersion,
    moves,
    standing: standingOf(course, nowMs),
    flags: [...course.flags].sort(),
    afterwards,
  }
}

/** When derive() must be asked again even if no fact comes; null where the clock alone changes no state any more. */
export function nextDueMs(terms: Pick<TaskTerms, 'deadlineMs'>, derived: Pick<Derived, 'state'>): number | null {
  return isOpen(derived.state) && derived.state !== 'applied' ? terms.deadlineMs : null
}
