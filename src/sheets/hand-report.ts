// A filled sheet as it is typed in, and what is to be said of it. Pure.
import { createHash } from 'node:crypto'
import { canonicalJson } from '../audit/canonical-json.js'
import type { FieldFault } from '../errors.js'
import type { StoredTerms } from '../tasks/task.store.js'
import { normaliseVersion } from '../versions/version.js'

/** `again`: to be repeated. The last three close the task by the technician's word. */
export const OUTCOMES = ['done', 'again', 'no-life', 'wrong-variant', 'other'] as const
export type Outcome = (typeof OUTCOMES)[number]

/** What is looked at after the upgrade besides the version; null or absent = not looked at. */
export const POST_CHECKS = ['records', 'timeRight', 'platformSees', 'settingsKept'] as const

export interface VersionRead {
  version: string
  observedAtMs: number
}

export interface HandReport {
  startedAtMs: number | null
  /** IMEI or serial number as it stands on the unit. */
  identityRead: string | null
  /** Lower-case hex of the technician's copy. */
  digest: string | null
  before: VersionRead | null
  after: VersionRead | null
  /** Read once more, the soak time later. */
  again: VersionRead | null
  supplyVolts: { start: number | null; underLoad: number | null }
  checks: Partial<Record<(typeof POST_CHECKS)[number], boolean>>
  outcome: Outcome
  /** The technician's name: personal, kept in the log's labels alone. */
  by: string
  note: string | null
}

export const FINDING_CODES = [
  'digest-differs',
  'version-differs',
  'before-issue',
  'not-read',
  'path-not-allowed',
  'task-closed',
] as const

export interface Finding {
  code: (typeof FINDING_CODES)[number]
  text: string
}

/**
 * The same sheet typed in twice is one report. Name and note are left out: the id stands in the hashed part of the log,
 * and from a short personal text even a hash could be guessed.
 */
export function reportId(taskId: string, report: HandReport): string {
  const { by: _by, note: _note, identityRead: _identity, ...facts } = report
  const text = canonicalJson({ task: taskId, ...facts })
  return `h_${createHash('sha256').update(text).digest('hex').slice(0, 24)}`
}

/** Blanks and dashes are how people write long numbers down. */
export const sameIdentity = (read: string, known: string | null): boolean =>
  known !== null && plain(read) === plain(known)
const plain = (text: string): string => text.replace(/[\s-]/g, '').toLowerCase()

export function digestEquals(terms: StoredTerms, digest: string): boolean {
  return Object.values(terms.digests).includes(digest.toLowerCase())
}

/** How far a watch in a workshop may run ahead of the server: as far as a unit's clock (domain rule 3). */
const AHEAD_MAX_MS = 5 * 60_000
/** No unit of this kind is older: an earlier time is a slip of the pen (domain rule 3). */
const EARLIEST_MS = Date.UTC(2020, 0, 1)

export const READS = ['before', 'after', 'again'] as const

/** Times that cannot be true together: which of them is wrong only the sheet can tell, so nothing of it is taken. */
export function timeFaults(report: HandReport, nowMs: number): FieldFault[] {
  const { startedAtMs } = report
  const reads = READS.flatMap((name) => {
    const read = report[name]
    return read ? [{ name, pointer: `/${name}/observedAt`, ms: read.observedAtMs }] : []
  })
  const times = [...(startedAtMs === null ? [] : [{ pointer: '/startedAt', ms: startedAtMs }]), ...reads]
  const faults: FieldFault[] = []
  for (const { pointer, ms } of times) {
    if (ms > nowMs + AHEAD_MAX_MS) faults.push({ pointer, detail: 'lies in the future' })
    if (ms < EARLIEST_MS) faults.push({ pointer, detail: 'lies before 2020' })
  }
  reads.forEach(({ name, pointer, ms }, index) => {
    const previous = reads[index - 1]
    if (previous && ms <= previous.ms)
      faults.push({ pointer, detail: `is not later than /${previous.name}/observedAt` })
    if (name !== 'before' && startedAtMs !== null && ms < startedAtMs)
      faults.push({ pointer, detail: 'is earlier than /startedAt' })
  })
  return faults
}

/** What the office should know of a report that was taken: nothing of it is refused for these. */
export function findingsOf(given: { terms: StoredTerms; report: HandReport; isClosed: boolean }): Finding[] {
  const { terms, report, isClosed } = given
  const { before, after, again, digest, outcome } = report
  const findings: Finding[] = []
  const find = (code: Finding['code'], text: string) => findings.push({ code, text })
  const differs = [after, again].find((read) => read && normaliseVersion(read.version) !== terms.target)
  if (isClosed) find('task-closed', 'The task was closed already: the report is recorded, and moves nothing.')
  if (digest !== null && !digestEquals(terms, digest))
    find(
      'digest-differs',
      'The copy was not the package’s file: it counts as damaged. Fetch it again before another try.',
    )
  if (differs)
    find('version-differs', `The unit shows ${differs.version}, not ${terms.target}: see the sheet’s back side.`)
  if ([after, again].some((read) => read && read.observedAtMs < terms.issuedAtMs))
    find('before-issue', 'A version was read before the task was issued: it moves nothing. Check the times.')
  if (outcome === 'done' && after === null)
    find('not-read', 'Without a version read afterwards the job is only claimed, not shown: read it and type it in.')
  if (before && terms.installsOver !== null && !terms.installsOver.includes(normaliseVersion(before.version)))
    find('path-not-allowed', `The package may not be installed over ${before.version}.`)
  return findings
}
