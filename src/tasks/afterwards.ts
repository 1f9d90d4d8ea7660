// What a version report means that came after a task had closed: it moves nothing, it is shown. Pure.
import type { Course } from './course.js'
import type { Afterwards, TaskState, TaskTerms } from './facts.js'
import type { Entry } from './timeline.js'

/**
 * A unit goes on reporting for years after its task. The first hundred tell what followed on the close; the rest is the
 * unit's own history, which keeps every report.
 */
export const AFTERWARDS_MAX = 100

/** For a report that reaches a closed task, of which derive() is not asked any more. */
export function meaningAfterwards(closed: {
  terms: Pick<TaskTerms, 'target' | 'earlierTargets'>
  state: TaskState
  fromVersion: string | null
  version: string
}): Afterwards['meaning'] {
  const { terms, state, fromVersion, version } = closed
  if (version === terms.target) return state === 'confirmed' ? 'target-again' : 'target-seen-later'
  return version === fromVersion || terms.earlierTargets.includes(version) ? 'old-version' : 'other-version'
}

export function noteAfterwards(course: Course, { step }: Entry): void {
  if (step.kind !== 'checkin' || course.afterwards.length >= AFTERWARDS_MAX) return
  const { terms, state, fromVersion } = course
  const { observedAtMs, version } = step
  course.afterwards.push({
    observedAtMs,
    version,
    meaning: meaningAfterwards({ terms, state, fromVersion, version }),
  })
}
