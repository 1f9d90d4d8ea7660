// Issuing: many tasks in one transaction, each unit judged by itself, nothing stored where nothing can be issued.
import type { Actor } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { refuseOnHold } from '../hold/hold.service.js'
import { type draftLink, PUBLIC_URL_NEEDED } from '../links/link.service.js'
import { insertLinks, joinTasks } from '../links/link.store.js'
import { findModel } from '../models/model.store.js'
import { refuseDamaged, requirePackage } from '../packages/package.service.js'
import { findOpenTasks, findUnits, listGroupUnits, type Unit } from '../units/unit.store.js'
import { wordAtMs } from './actions.js'
import { insertTaskFact } from './facts.store.js'
import {
  copyLink,
  type Draft,
  draftTask,
  type IssueDeps,
  type IssueInput,
  refusalOf,
  type Skip,
  templateOf,
} from './issue-draft.js'
import { settleTasks } from './settle.service.js'
import { findTargets, findTasks, insertCommands, insertTasks, markSuperseded, type Task } from './task.store.js'

/** Units in one call: one transaction, a few seconds of the writing thread. */
export const ISSUE_MAX = 100_000

/** @throws AppError nothing-issued (with the skips), package-not-found, public-url-not-set, unit-not-found */
export async function issueTasks(
  deps: IssueDeps,
  work: Work,
  actor: Actor,
  input: IssueInput,
): Promise<{ taskIds: string[]; skipped: Skip[] }> {
  await refuseOnHold(work)
  const pack = await requirePackage(work, input.packageId)
  refuseDamaged(pack)
  if (input.method === 'air' && deps.publicUrl === null) throw new AppError('public-url-not-set', PUBLIC_URL_NEEDED)
  const model = await findModel(work.db, pack.modelId)
  const profile = model!.profile
  const deadlineMs = input.deadlineMs ?? work.nowMs + deps.deadlineMs
  if (deadlineMs <= work.nowMs) throw new AppError('request-invalid', 'The deadline lies in the past.')

  const { units, skipped } = await resolveUnits(work, input)
  const open = await openTasksOf(work, units)
  const targets = await findTargets(
    work.db,
    units.map((unit) => unit.id),
  )
  const template = templateOf(profile)
  const order = { deps, input, pack, profile, template, deadlineMs, nowMs: work.nowMs, actorId: actor.id }

  const drafted: Draft[] = []
  let copy: ReturnType<typeof draftLink> | null = null
  for (const unit of units) {
    const refusal = refusalOf(order, unit, open.get(unit.id) ?? null)
    if (refusal) {
      skipped.push({ unit: unit.id, ...refusal })
      continue
    }
    if (input.method !== 'air' && deps.publicUrl !== null) copy ??= copyLink(order)
    const draft = draftTask(order, unit, { earlierTargets: targets.get(unit.id) ?? [], copy })
    if ('refused' in draft) skipped.push({ unit: unit.id, code: 'command-too-long', detail: draft.refused })
    else drafted.push(draft)
  }
  if (drafted.length === 0 || (input.allOrNothing && skipped.length > 0)) {
    throw new AppError(
      'nothing-issued',
      units.length + skipped.length === 0
        ? 'No task was issued: the group has no units.'
        : 'No task was issued; every unit that stands in the way is named with its reason.',
      { skipped },
    )
  }

  const links = copy ? [copy] : drafted.flatMap((draft) => draft.link ?? [])
  await supersede(work, actor, drafted, open)
  await insertLinks(work.db, links)
  await insertTasks(
    work.db,
    drafted.map((draft) => draft.task),
  )
  await joinTasks(
    work.db,
    drafted.flatMap(({ task }) => (task.linkId === null ? [] : [{ linkId: task.linkId, taskId: task.id }])),
  )
  await insertCommands(
    work.db,
    drafted.flatMap((draft) => draft.command ?? []),
  )
  await appendAudit(work, actor, [...(copy ? [copy.audit] : []), ...drafted.flatMap((draft) => draft.audit)])
  return { taskIds: drafted.map((draft) => draft.task.id), skipped }
}

async function resolveUnits(work: Work, input: IssueInput): Promise<{ units: Unit[]; skipped: Skip[] }> {
  if (input.group !== null) {
    const units = await listGroupUnits(work.db, input.group)
    if (units.length > ISSUE_MAX)
      throw new AppError('request-invalid', `At most ${ISSUE_MAX} units in one call: split the group.`)
    return { units, skipped: [] }
  }
  const names = input.unit !== null ? [input.unit] : (input.units ?? [])
  const found = await findUnits(work.db, names)
  const missing = names.filter((name) => !found.has(name))
  if (input.unit !== null && missing.length === 1) {
    throw new AppError('unit-not-found', `There is no unit ${input.unit}; use our id, the IMEI or the serial number.`)
  }
  const units = new Map(names.flatMap((name) => found.get(name) ?? []).map((unit) => [unit.id, unit]))
  return {
    units: [...units.values()],
    skipped: [...new Set(missing)].map((unit) => ({
      unit,
      code: 'unit-unknown' as const,
      detail: 'There is no such unit; use our id, the IMEI or the serial number.',
    })),
  }
}

async function openTasksOf(work: Work, units: readonly Unit[]): Promise<Map<string, Task>> {
  const ids = await findOpenTasks(
    work.db,
    units.map((unit) => unit.id),
  )
  const tasks = await findTasks(work.db, [...ids.values()])
  return new Map(tasks.map((task) => [task.unitId, task]))
}

/** Closes what the new tasks replace. The old links end with their tasks. */
async function supersede(
  work: Work,
  actor: Actor,
  drafted: readonly Draft[],
  open: ReadonlyMap<string, Task>,
): Promise<void> {
  const old: string[] = []
  for (const { task } of drafted) {
    const before = open.get(task.unitId)
    if (!before) continue
    task.supersedes = before.id
    old.push(before.id)
    await insertTaskFact(work.db, {
      taskId: before.id,
      kind: 'supersede',
      atMs: wordAtMs(before, work.nowMs),
      actorId: actor.id,
      detail: { by: task.id },
    })
    await markSuperseded(work.db, before.id, task.id)
  }
  if (old.length > 0) await settleTasks(work, actor, old)
}
