// A filled sheet comes back: versions read at the bench, the digest of the copy and the technician's word go into the
// record in one transaction.
import { type Actor, SYSTEM } from '../audit/actor.js'
import { appendAudit, listEntries } from '../audit/audit.store.js'
import { checkinService } from '../checkins/checkin.service.js'
import { toRfc3339 } from '../clock.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { wordAtMs } from '../tasks/actions.js'
import { settleTasks } from '../tasks/settle.service.js'
import { recordAttestation, requireTask, subjectOf } from '../tasks/task.service.js'
import type { Task } from '../tasks/task.store.js'
import { requireUnit } from '../units/unit.service.js'
import {
  digestEquals,
  type Finding,
  findingsOf,
  type HandReport,
  READS,
  reportId,
  sameIdentity,
  timeFaults,
  type VersionRead,
} from './hand-report.js'

/** Reports of one task: a job that has been tried so often needs another plan, and a script gone wild an end. */
const REPORTS_MAX = 50
export interface HandReportResult {
  report: string
  /** This very sheet was typed in before; nothing was done. */
  duplicate: boolean
  findings: Finding[]
}

export interface HandReportService {
  record(work: Work, actor: Actor, taskId: string, report: HandReport): Promise<HandReportResult>
}

export const handReportService: HandReportService = {
  record: async (work, actor, taskId, report) => {
    const found = await requireTask(work, taskId)
    // Due but not looked at by the clock yet: what is typed in now comes after its exit.
    if (found.dueAtMs !== null && found.dueAtMs <= work.nowMs) await settleTasks(work, SYSTEM, [taskId])
    const task = await requireTask(work, taskId)
    await refuseReport(work, task, report)
    const id = reportId(taskId, report)
    const known = await listEntries(
      work.db,
      { task: taskId, action: 'task.reported' },
      { afterSeq: 0, limit: REPORTS_MAX },
    )
    const isClosed = task.closedAtMs !== null
    if (known.some(({ body }) => (JSON.parse(body) as { detail: { report?: string } }).detail.report === id))
      return { report: id, duplicate: true, findings: findingsOf({ terms: task.terms, report, isClosed: false }) }
    if (known.length >= REPORTS_MAX) {
      throw new AppError('state-refused', `The task has ${REPORTS_MAX} reports already: close it, and issue a new one.`)
    }
    await appendAudit(work, actor, [reportedEntry(task, report, id)])
    if (!isClosed && report.digest !== null) await recordCopy(work, actor, task, report)
    await recordReads(work, actor, task, { report, id })
    await settleTasks(work, actor, [taskId])
    await recordFailure(work, actor, taskId, report)
    return { report: id, duplicate: false, findings: findingsOf({ terms: task.terms, report, isClosed }) }
  },
}

async function refuseReport(work: Work, task: Task, report: HandReport): Promise<void> {
  const errors = timeFaults(report, work.nowMs)
  if (errors.length > 0)
    throw new AppError('request-invalid', 'Times on the sheet cannot be true: check them, and their zone.', { errors })
  if (report.identityRead === null) return
  const unit = await requireUnit(work, task.unitId)
  if (sameIdentity(report.identityRead, unit.imei) || sameIdentity(report.identityRead, unit.serial)) return
  throw new AppError(
    'state-refused',
    'The identity that was read is not that of the task’s unit: nothing was recorded. Find the sheet of the unit that was really done.',
    { unit: unit.id },
  )
}

const readDetail = (read: VersionRead | null) =>
  read && { version: read.version, observedAt: toRfc3339(read.observedAtMs) }

function reportedEntry(task: Task, report: HandReport, id: string) {
  const { startedAtMs, identityRead, digest, before, after, again, supplyVolts, checks, outcome, by, note } = report
  return {
    action: 'task.reported',
    ...subjectOf(task),
    detail: {
      report: id,
      method: task.method,
      outcome,
      startedAt: startedAtMs === null ? null : toRfc3339(startedAtMs),
      identityRead: identityRead !== null,
      digest,
      digestEqual: digest === null ? null : digestEquals(task.terms, digest),
      before: readDetail(before),
      after: readDetail(after),
      again: readDetail(again),
      supplyVolts,
      checks,
    },
    labels: { technician: by, ...(note !== null && { note }) },
  }
}

/** The copy was checked before it went into the unit, so the word stands before the version that was read after it. */
async function recordCopy(work: Work, actor: Actor, task: Task, report: HandReport): Promise<void> {
  const checkedMs = report.startedAtMs ?? (report.after ? report.after.observedAtMs - 1 : work.nowMs)
  await recordAttestation(work, actor, task, {
    state: 'verified',
    reason: null,
    note: 'by the sheet',
    digest: report.digest,
    atMs: Math.max(task.issuedAtMs, Math.min(checkedMs, work.nowMs)),
  })
}

async function recordReads(
  work: Work,
  actor: Actor,
  task: Task,
  given: { report: HandReport; id: string },
): Promise<void> {
  const reads = READS.flatMap((name) => {
    const read = given.report[name]
    return read ? [{ name, read }] : []
  })
  if (reads.length === 0) return
  const results = await checkinService.accept(work, actor, {
    source: 'bench',
    items: reads.map(({ name, read }) => ({
      unit: task.unitId,
      version: read.version,
      observedAt: toRfc3339(read.observedAtMs),
      id: `${given.id}:${name}`,
    })),
  })
  const errors = results.flatMap((result, index) =>
    result.accepted ? [] : [{ pointer: `/${reads[index]!.name}`, detail: `was not accepted: ${result.code}` }],
  )
  if (errors.length > 0)
    throw new AppError('request-invalid', 'A version on the sheet cannot be recorded; nothing was.', { errors })
}

/** After the versions: a task that they closed needs no word any more. */
async function recordFailure(work: Work, actor: Actor, taskId: string, report: HandReport): Promise<void> {
  const { outcome } = report
  if (outcome === 'done' || outcome === 'again') return
  const task = await requireTask(work, taskId)
  if (task.closedAtMs !== null) return
  const word = { state: 'failed' as const, reason: outcome, note: 'by the sheet' }
  await recordAttestation(work, actor, task, { ...word, atMs: wordAtMs(task, work.nowMs) })
  await settleTasks(work, actor, [taskId])
}
