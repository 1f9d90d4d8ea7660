// Time on hold is not the unit's: nothing went out, so no deadline runs and no silence counts. Pure.
import type { Fact, TaskTerms } from './facts.js'

export type Held = Extract<Fact, { kind: 'held' }>

export const holdsAmong = (facts: readonly Fact[]): Held[] =>
  facts.filter((fact) => fact.kind === 'held').sort((a, b) => a.fromMs - b.fromMs)

/**
 * When the task is due: its deadline, later by every hold that began before it, as far as the task existed then. Infinite
 * while a hold is open. To end at once what fell due in a hold would blame units for a time in which they got nothing.
 */
export function deadlineOf(terms: Pick<TaskTerms, 'deadlineMs' | 'issuedAtMs'>, facts: readonly Fact[]): number {
  let deadlineMs = terms.deadlineMs
  let countedMs = terms.issuedAtMs
  for (const { fromMs, untilMs } of holdsAmong(facts)) {
    const beginMs = Math.max(fromMs, countedMs)
    if (beginMs >= deadlineMs) continue
    if (untilMs === null) return Infinity
    if (untilMs <= beginMs) continue
    deadlineMs += untilMs - beginMs
    countedMs = untilMs
  }
  return deadlineMs
}

/** How much of a time lay in holds, ms. */
export function heldMs(holds: readonly Held[], time: { fromMs: number; untilMs: number }): number {
  let sumMs = 0
  let countedMs = time.fromMs
  for (const { fromMs, untilMs } of holds) {
    const beginMs = Math.max(fromMs, countedMs)
    const endMs = Math.min(untilMs ?? Infinity, time.untilMs)
    if (endMs <= beginMs) continue
    sumMs += endMs - beginMs
    countedMs = endMs
  }
  return sumMs
}
