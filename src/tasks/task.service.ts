import type { Actor } from '../audit/actor.js'
import { SYSTEM } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { refuseOnHold } from '../hold/hold.service.js'
import { findHold } from '../hold/hold.store.js'
import { endLinks } from '../links/link.service.js'
import { listPackageLinks } from '../links/link.store.js'
import { requirePackage } from '../packages/package.service.js'
import { type Package, updatePackage } from '../packages/package.store.js'
import { chunks } from '../units/unit.store.js'
import { actionsAllowed, wordAtMs } from './actions.js'
import type { ATTESTED_REASONS } from './facts.js'
import { insertTaskFact, insertTaskFacts } from './facts.store.js'
import { issueTasks } from './issue.service.js'
import type { IssueDeps, IssueInput, Skip } from './issue-draft.js'
import { settleTasks } from './settle.service.js'
import { findCommands, findTask, findTasks, listDueTasks, listOpenTasksOfPackage, type Task } from './task.store.js'

export interface TaskService {
  issue(work: Work, actor: Actor, input: IssueInput): Promise<{ taskIds: string[]; skipped: Skip[] }>
  attest(work: Work, actor: Actor, id: string, input: Attestation): Promise<void>
  cancel(work: Work, actor: Actor, id: string, input: { reason: string; mayBeInstalling: boolean }): Promise<void>
  /** Records that the command went out over a channel. `hand`: a person says so. */
  dispatch(work: Work, actor: Actor, id: string, channel: string): Promise<void>
  withdrawPackage(work: Work, actor: Actor, packageId: string, reason: string): Promise<Package>
  /** Closes what the clock alone closes; returns how many tasks were looked at. */
  settleDue(work: Work): Promise<number>
}

export interface Attestation {
  state: 'fetched' | 'verified' | 'confirmed' | 'failed'
  reason: (typeof ATTESTED_REASONS)[number] | null
  note: string
  /** With `verified`: hex of the technician's copy. One that is not the package's counts as a damaged copy (rule 10). */
  digest?: string | null
}

/** Due tasks in one transaction, so that the clock's work never holds up a caller for long. */
const DUE_MAX = 200

export function taskService(deps: IssueDeps): TaskService {
  return {
    issue: (work, actor, input) => issueTasks(deps, work, actor, input),

    attest: async (work, actor, id, input) => {
      const task = await requireOpenTask(work, id)
      refuseAttestation(task, input)
      await recordAttestation(work, actor, task, { ...input, atMs: wordAtMs(task, work.nowMs) })
      await settleTasks(work, actor, [id])
    },

    cancel: async (work, actor, id, input) => {
      const task = await requireOpenTask(work, id)
      if (actionsAllowed(task.state).acknowledge !== null && !input.mayBeInstalling) {
        throw new AppError(
          'acknowledgement-needed',
          `The task is ${task.state}: the unit may be installing, and cancelling cannot stop that. Send acknowledge "may-be-installing" to close the task all the same.`,
          { state: task.state },
        )
      }
      await insertTaskFact(work.db, {
        taskId: id,
        kind: 'cancel',
        atMs: wordAtMs(task, work.nowMs),
        actorId: actor.id,
        detail: { reason: input.reason },
      })
      await appendAudit(work, actor, [
        { action: 'task.cancelled', ...subjectOf(task), detail: { state: task.state }, labels: { note: input.reason } },
      ])
      await settleTasks(work, actor, [id])
    },

    dispatch: async (work, actor, id, channel) => {
      await refuseOnHold(work)
      const task = await requireOpenTask(work, id)
      const command = (await findCommands(work.db, [id])).get(id)
      if (!command)
        throw new AppError('state-refused', 'A hand task has no command to send: print its sheet.', {
          method: task.method,
        })
      await insertTaskFact(work.db, {
        taskId: id,
        kind: 'sent',
        atMs: work.nowMs,
        actorId: actor.id,
        detail: { channel },
      })
      await appendAudit(work, actor, [{ action: 'command.sent', ...subjectOf(task), detail: { channel } }])
      await settleTasks(work, actor, [id])
    },

    withdrawPackage: async (work, actor, packageId, reason) => {
      const pack = await requirePackage(work, packageId)
      if (pack.state === 'withdrawn') return pack
      await updatePackage(work.db, packageId, { state: 'withdrawn', withdrawnReason: reason })
      await appendAudit(work, actor, [
        {
          action: 'package.withdrawn',
          package: packageId,
          toVersion: pack.version,
          sha256: pack.digests.sha256,
          detail: { reason },
        },
      ])
      const open = await listOpenTasksOfPackage(work.db, packageId)
      // Links first: they end for this reason, also where the task stays open because the unit has the file.
      for (const ids of chunks(await listPackageLinks(work.db, packageId)))
        await endLinks(work, actor, ids, 'withdrawn')
      for (const ids of chunks(open)) {
        const tasks = await findTasks(work.db, ids)
        await insertTaskFacts(
          work.db,
          tasks.map((task) => ({
            taskId: task.id,
            kind: 'withdrawn' as const,
            atMs: wordAtMs(task, work.nowMs),
            actorId: actor.id,
            detail: { reason },
          })),
        )
        await settleTasks(work, actor, ids)
      }
      return requirePackage(work, packageId)
    },

    settleDue: async (work) => {
      // On hold no deadline runs, and what derive() would find is not yet to be found.
      if (await findHold(work.db)) return 0
      const due = await listDueTasks(work.db, work.nowMs, DUE_MAX)
      if (due.length > 0) await settleTasks(work, SYSTEM, due)
      return due.length
    },
  }
}

/** Stores a person's word and logs it. Settling is the caller's. */
export async function recordAttestation(
  work: Work,
  actor: Actor,
  task: Task,
  input: Attestation & { atMs: number },
): Promise<void> {
  const { state, reason, note, atMs } = input
  const digest = input.digest?.toLowerCase() ?? null
  await insertTaskFact(work.db, {
    taskId: task.id,
    kind: 'attest',
    atMs,
    actorId: actor.id,
    detail: { state, reason, note, ...(digest !== null && { digest }) },
  })
  await appendAudit(work, actor, [
    {
      action: 'task.attested',
      ...subjectOf(task),
      detail: { state, reason, ...(digest !== null && { digest }) },
      labels: { note }, // Free words of a person, about persons: erasable.
    },
  ])
}

export const subjectOf = (task: Task) => ({
  unit: task.unitId,
  task: task.id,
  package: task.packageId,
  fromVersion: task.fromVersion,
  toVersion: task.toVersion,
  sha256: task.terms.digests.sha256,
})

/** A person may attest what they can know: never `applied`, which only a version report shows. */
function refuseAttestation(task: Task, input: Attestation): void {
  const refuse = (detail: string): never => {
    throw new AppError('state-refused', detail, { state: task.state })
  }
  if (input.state === 'failed' && input.reason === null) {
    throw new AppError('request-invalid', 'Say why it failed: no-life, wrong-variant or other.')
  }
  if (input.state !== 'failed' && input.reason !== null) {
    throw new AppError('request-invalid', 'Only a failure has a reason: leave it out.')
  }
  if (input.digest && input.state !== 'verified') {
    throw new AppError('request-invalid', 'A digest says whether a copy is whole: attest verified with it.')
  }
  if (input.state === 'confirmed' && task.state !== 'applied') {
    refuse(`The task is ${task.state}; it can be confirmed once a version report has shown the new version.`)
  }
  if (input.state === 'fetched' && task.state !== 'queued') refuse(`The task is ${task.state} already.`)
  // A copy that is found to be damaged later is news all the same.
  const again = task.state === 'verified' && Boolean(input.digest)
  if (input.state === 'verified' && !again && (task.state === 'verified' || task.state === 'applied')) {
    refuse(`The task is ${task.state} already.`)
  }
}

export async function requireTask(work: Pick<Work, 'db'>, id: string): Promise<Task> {
  const task = await findTask(work.db, id)
  if (!task) throw new AppError('task-not-found', `There is no task ${id}: list the tasks of the unit.`)
  return task
}

export async function requireOpenTask(work: Work, id: string): Promise<Task> {
  // Due but not looked at by the clock yet: what is said now would come after its exit and count for nothing.
  const due = (await requireTask(work, id)).dueAtMs
  if (due !== null && due <= work.nowMs) await settleTasks(work, SYSTEM, [id])
  const task = await requireTask(work, id)
  if (task.closedAtMs !== null) {
    throw new AppError('state-refused', `The task is ${task.state} and closed; issue a new one.`, { state: task.state })
  }
  return task
}
