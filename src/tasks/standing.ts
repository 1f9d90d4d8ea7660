// How an open task is doing, in words for the person who looks after it: since when nothing more is known, the likely
// cause, the next step. Never an exit, never shown as done (domain rule 6). Pure; changes with the clock alone.
import { type Course, isClosed, reachedAtMs, readyAtMs } from './course.js'
import type { Method, Standing, TaskState } from './facts.js'
import { heldMs } from './held.js'
import { CLOSED_WORDS, HAND_CLOSED_WORDS, WORDS, type Words } from './standing-words.js'

const MINUTE_MS = 60_000
const HOUR_MS = 60 * MINUTE_MS
const DAY_MS = 24 * HOUR_MS

// Common practice, no source: how long each step is left in peace before a person should look, and before it is silence.
const SEND_LATE_MS = HOUR_MS
const ASK_LATE_MS = HOUR_MS // A text reaches a sleeping unit when it wakes.
const FIRST_BYTE_LATE_MS = 10 * MINUTE_MS
const NEXT_BYTE_LATE_MS = 15 * MINUTE_MS // Longer than the time-out and retry of a simple client.
const HAND_LATE_MS = 2 * DAY_MS // A job at the bench waits for vehicle and technician.
const SILENT_MS = DAY_MS
const INSTALL_TIMES_SILENT = 3 // No version for three times the install time: field practice.

/** Grade by age: on course, then late, then silent. A wait that is not the unit's is never its silence, nor is a hold. */
function graded(
  course: Course,
  wait: { sinceMs: number; lateMs: number; silentMs: number; words: Words },
  nowMs: number,
): Standing {
  const { sinceMs, lateMs, silentMs, words } = wait
  const ageMs = nowMs - sinceMs - heldMs(course.signs.holds, { fromMs: sinceMs, untilMs: nowMs })
  if (ageMs < lateMs) return { grade: 'on-course', sinceMs, cause: null, next: words.meanwhile ?? null }
  return { grade: ageMs < silentMs ? 'late' : 'silent', sinceMs, cause: words.cause, next: words.next }
}

/** The unit has asked for the file, or the command is on its way to it, or nobody has sent it. */
function beforeFetched(course: Course, nowMs: number): Standing {
  const { issuedAtMs } = course.terms
  const { lastSentAtMs, firstAskedAtMs, lastByteAtMs, acknowledgedBytes } = course.signs
  if (firstAskedAtMs !== null) {
    if (acknowledgedBytes === 0)
      return graded(
        course,
        { sinceMs: firstAskedAtMs, lateMs: FIRST_BYTE_LATE_MS, silentMs: SILENT_MS, words: WORDS.noByte },
        nowMs,
      )
    const sinceMs = lastByteAtMs ?? firstAskedAtMs
    return graded(course, { sinceMs, lateMs: NEXT_BYTE_LATE_MS, silentMs: SILENT_MS, words: WORDS.bytesStop }, nowMs)
  }
  if (lastSentAtMs !== null)
    return graded(
      course,
      { sinceMs: lastSentAtMs, lateMs: ASK_LATE_MS, silentMs: SILENT_MS, words: WORDS.nothingAsked },
      nowMs,
    )
  return graded(course, { sinceMs: issuedAtMs, lateMs: SEND_LATE_MS, silentMs: Infinity, words: WORDS.notSent }, nowMs)
}

/** The unit has what it needs and should install, restart and report. */
function whileInstalling(course: Course, readyMs: number, nowMs: number): Standing {
  const { installMs } = course.terms
  const lastOldAtMs = course.oldAtMs.at(-1)
  if (lastOldAtMs !== undefined && lastOldAtMs > readyMs + installMs) {
    // It speaks, so it is not silent: it installs at the next ignition, or has refused the file.
    if (nowMs - lastOldAtMs < SILENT_MS) return { grade: 'late', sinceMs: readyMs, ...said(WORDS.stillOld) }
    return { grade: 'silent', sinceMs: lastOldAtMs, ...said(WORDS.stillOld) }
  }
  const words = reachedAtMs(course, 'fetched') === null ? WORDS.uncounted : WORDS.noVersion
  return graded(
    course,
    { sinceMs: readyMs, lateMs: installMs, silentMs: INSTALL_TIMES_SILENT * installMs, words },
    nowMs,
  )
}

function whileSoaking(course: Course, nowMs: number): Standing {
  const appliedMs = reachedAtMs(course, 'applied')!
  const { soakMs } = course.terms
  if (course.oldSources.size > 0) return { grade: 'late', sinceMs: appliedMs, ...said(WORDS.sourcesDiffer) }
  const lastMs = course.lastReportAtMs ?? appliedMs
  const soaking = isByHand(course) ? WORDS.handSoak : WORDS.soak
  const words = lastMs > appliedMs + soakMs ? WORDS.untimed : soaking
  const lateMs = appliedMs + soakMs - lastMs
  return graded(course, { sinceMs: lastMs, lateMs, silentMs: lateMs + SILENT_MS, words }, nowMs)
}

/** A person does it, at their own pace: the job waits for vehicle and technician, and a unit's silence means nothing. */
function byHand(course: Course, readyMs: number | null, nowMs: number): Standing {
  if (readyMs === null) {
    const wait = { sinceMs: course.terms.issuedAtMs, lateMs: HAND_LATE_MS, silentMs: Infinity }
    return graded(course, { ...wait, words: WORDS.handNotCopied }, nowMs)
  }
  const readOld = (course.oldAtMs.at(-1) ?? 0) > readyMs + course.terms.installMs
  if (readOld) return { grade: 'late', sinceMs: readyMs, ...said(WORDS.handStillOld) }
  return graded(course, { sinceMs: readyMs, lateMs: HAND_LATE_MS, silentMs: Infinity, words: WORDS.handNotRead }, nowMs)
}

const isByHand = (course: Course): boolean => course.terms.method !== 'air'

const said = ({ cause, next }: Words): { cause: string; next: string } => ({ cause, next })

/** A person who cancels gives the cause in their own words, whatever those are. */
export function closedStanding(closed: {
  state: TaskState
  reason: string | null
  closedAtMs: number
  method: Method
}): Standing {
  const { state, reason, closedAtMs, method } = closed
  const isOwnWords = state === 'cancelled' && reason !== 'package-withdrawn'
  const byMethod = method === 'air' ? undefined : HAND_CLOSED_WORDS.get(reason ?? '')
  const words = isOwnWords ? null : (byMethod ?? CLOSED_WORDS.get(reason ?? ''))
  return { grade: 'closed', sinceMs: closedAtMs, cause: words?.cause ?? null, next: words?.next ?? null }
}

export function standingOf(course: Course, nowMs: number): Standing {
  if (isClosed(course))
    return closedStanding({ ...course, method: course.terms.method, closedAtMs: course.closedAtMs! })
  if (course.state === 'applied') return whileSoaking(course, nowMs)
  // What the unit says by itself still counts, so only a step that it has not reached is held.
  const hold = course.signs.holds.find(({ untilMs }) => untilMs === null)
  if (hold) return { grade: 'late', sinceMs: hold.fromMs, ...said(WORDS.onHold) }
  if (course.mismatchesAtMs.size > 0) {
    const sinceMs = Math.max(...course.mismatchesAtMs)
    const words = isByHand(course) ? WORDS.handDamaged : WORDS.damagedOnce
    return graded(course, { sinceMs, lateMs: 0, silentMs: isByHand(course) ? Infinity : SILENT_MS, words }, nowMs)
  }
  const readyMs = readyAtMs(course)
  if (isByHand(course)) return byHand(course, readyMs, nowMs)
  return readyMs === null ? beforeFetched(course, nowMs) : whileInstalling(course, readyMs, nowMs)
}
