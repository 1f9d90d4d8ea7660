// Issuing: many tasks in one transaction, each unit judged by itself, nothing stored where nothing can be issued.
import type { Actor } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { refuseOnHold } from '../hold/hold.service.js'
import { PUBLIC_URL_NEEDED } from '../links/link.service.js'
import { insertLinks, joinTasks } from '../links/link.store.js'
import { findModel } from '../models/model.store.js'
import { refuseDamaged, requirePackage } from '../packages/package.service.js'
import { chunks, findOpenTasks, findUnits, listGroupUnitIds } from '../units/unit.store.js'
import { wordAtMs } from './actions.js'
import { insertTaskFacts } from './facts.store.js'
import {
  copyLink,
  type Draft,
  draftTask,
  type IssueDeps,
  type IssueInput,
  type Order,
  refusalOf,
  type Skip,
  templateOf,
} from './issue-draft.js'
import { settleTasks } from './settle.service.js'
import { findTargets, findTasks, insertCommands, insertTasks, markSuperseded, type Task } from './task.store.js'

/**
 * Units in one call, and so in one transaction: all of it is there or nothing is, after a crash too. Other writers wait for
 * it: 1.75 s for 10,000 units and 16 s for this many by `npm run bench -- issue` on two cores where nothing else runs.
 */
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
  if (deadlineMs <= work.nowMs)
    throw new AppError('request-invalid', 'The deadline lies in the past: give a later time, or none.')

  const { unitIds, skipped } = await resolveUnits(work, input)
  const asked = unitIds.length + skipped.length
  const order: Order = {
    ...{ deps, input, pack, profile, deadlineMs, nowMs: work.nowMs, actorId: actor.id },
    template: templateOf(profile),
  }
  const issue: Issue = { order, taskIds: [], skipped, copy: null }
  for (const ids of chunks(unitIds)) {
    const drafted = await draftSlice(work, issue, ids)
    // What one slice has stored goes with the transaction where another one stands in the way of all.
    if (!(input.allOrNothing && skipped.length > 0)) await storeSlice(work, actor, issue, drafted)
  }
  if (issue.taskIds.length === 0 || (input.allOrNothing && skipped.length > 0)) {
    throw new AppError(
      'nothing-issued',
      asked === 0
        ? 'No task was issued: the group has no units.'
        : 'No task was issued; every unit that stands in the way is named with its reason.',
      { skipped },
    )
  }
  return { taskIds: issue.taskIds, skipped }
}

/** One call under way. Slice by slice, so that of 100,000 units only the ids are held, in one transaction all the same. */
interface Issue {
  order: Order
  taskIds: string[]
  skipped: Skip[]
  /** Of hand methods: the one link that serves all tasks, once it is stored. */
  copy: ReturnType<typeof copyLink> | null
}

interface Drafted extends Draft {
  /** The open task that this one replaces. */
  before: Task | null
}

async function draftSlice(work: Work, issue: Issue, unitIds: readonly string[]): Promise<Drafted[]> {
  const { order, skipped } = issue
  const byId = await findUnits(work.db, unitIds)
  const units = unitIds.flatMap((id) => byId.get(id) ?? [])
  const open = await openTasksOf(work, unitIds)
  const targets = await findTargets(work.db, unitIds)
  const drafted: Drafted[] = []
  for (const unit of units) {
    const before = open.get(unit.id) ?? null
    const refusal = refusalOf(order, unit, before)
    if (refusal) {
      skipped.push({ unit: unit.id, ...refusal })
      continue
    }
    if (order.input.method !== 'air' && order.deps.publicUrl !== null) issue.copy ??= copyLink(order)
    const draft = draftTask(order, unit, { earlierTargets: targets.get(unit.id) ?? [], copy: issue.copy })
    if ('refused' in draft) skipped.push({ unit: unit.id, code: 'command-too-long', detail: draft.refused })
    else drafted.push({ ...draft, before })
  }
  return drafted
}

async function storeSlice(work: Work, actor: Actor, issue: Issue, drafted: readonly Drafted[]): Promise<void> {
  if (drafted.length === 0) return
  const { copy, taskIds } = issue
  const copies = copy && taskIds.length === 0 ? [copy] : []
  const tasks = drafted.map((draft) => draft.task)
  await supersede(work, actor, drafted)
  await insertLinks(work.db, copy ? copies : drafted.flatMap((draft) => draft.link ?? []))
  await insertTasks(work.db, tasks)
  await joinTasks(
    work.db,
    tasks.flatMap((task) => (task.linkId === null ? [] : [{ linkId: task.linkId, taskId: task.id }])),
  )
  await insertCommands(
    work.db,
    drafted.flatMap((draft) => draft.command ?? []),
  )
  const entries = [...copies.map(({ audit }) => audit), ...drafted.flatMap((draft) => draft.audit)]
  await appendAudit(work, actor, entries)
  for (const task of tasks) taskIds.push(task.id)
}

/** The units that are meant, each once, and the names that nobody has. */
async function resolveUnits(work: Work, input: IssueInput): Promise<{ unitIds: string[]; skipped: Skip[] }> {
  if (input.group !== null) {
    const unitIds = await listGroupUnitIds(work.db, input.group, ISSUE_MAX + 1)
    if (unitIds.length > ISSUE_MAX)
      throw new AppError('request-invalid', `At most ${ISSUE_MAX} units in one call: split the group.`)
    return { unitIds, skipped: [] }
  }
  const unitIds = new Set<string>()
  const missing = new Set<string>()
  for (const names of chunks(input.unit !== null ? [input.unit] : (input.units ?? []))) {
    const found = await findUnits(work.db, names)
    for (const name of names) {
      const unit = found.get(name)
      if (unit) unitIds.add(unit.id)
      else missing.add(name)
    }
  }
  if (input.unit !== null && missing.size === 1) {
    throw new AppError('unit-not-found', `There is no unit ${input.unit}; use our id, the IMEI or the serial number.`)
  }
  return {
    unitIds: [...unitIds],
    skipped: [...missing].map((unit) => ({
      unit,
      code: 'unit-unknown' as const,
      detail: 'There is no such unit; use our id, the IMEI or the serial number.',
    })),
  }
}

async function openTasksOf(work: Work, unitIds: readonly string[]): Promise<Map<string, Task>> {
  const ids = await findOpenTasks(work.db, unitIds)
  const tasks = await findTasks(work.db, [...ids.values()])
  return new Map(tasks.map((task) => [task.unitId, task]))
}

/** Closes what the new tasks replace. The old links end with their tasks. */
async function supersede(work: Work, actor: Actor, drafted: readonly Drafted[]): Promise<void> {
  const pairs = drafted.flatMap(({ task, before }) => (before ? [{ before, by: task.id }] : []))
  if (pairs.length === 0) return
  for (const { task, before } of drafted) task.supersedes = before?.id ?? null
  await insertTaskFacts(
    work.db,
    pairs.map(({ before, by }) => ({
      taskId: before.id,
      kind: 'supersede' as const,
      atMs: wordAtMs(before, work.nowMs),
      actorId: actor.id,
      detail: { by },
    })),
  )
  await markSuperseded(
    work.db,
    pairs.map(({ before, by }) => ({ id: before.id, by })),
  )
  await settleTasks(
    work,
    actor,
    pairs.map(({ before }) => before.id),
  )
}
