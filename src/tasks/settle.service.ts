// Brings a task to where its facts say it is: derive, store, log and end what ends with it, in one transaction.
import type { Actor } from '../audit/actor.js'
import { type AuditDraft, appendAudit } from '../audit/audit.store.js'
import { toRfc3339 } from '../clock.js'
import type { Work } from '../db/db.js'
import { endLinks } from '../links/link.service.js'
import { listLinksWithoutOpenTask, listTaskLinks } from '../links/link.store.js'
import { chunks } from '../units/unit.store.js'
import { AFTERWARDS_MAX, meaningAfterwards } from './afterwards.js'
import { derive, nextDueMs } from './derive.js'
import type { Afterwards, Derived, Move, TaskState } from './facts.js'
import { gatherFacts } from './facts.store.js'
import { findTasks, saveAfterwards, saveDerived, type Task } from './task.store.js'

/** Tasks that are held in memory with all their facts. */
const SETTLED_AT_ONCE = 250

/** Recomputes those of the tasks that are open from all their facts. Exits and confirmed are final. */
export async function settleTasks(work: Work, actor: Actor, ids: readonly string[]): Promise<void> {
  for (const part of chunks(ids)) await settleLoaded(work, actor, await findTasks(work.db, part))
}

/** The same for tasks as they are stored at this moment; returns the states that they are in then. */
export async function settleLoaded(work: Work, actor: Actor, tasks: readonly Task[]): Promise<Map<string, TaskState>> {
  const states = new Map(tasks.map((task) => [task.id, task.state]))
  for (const part of chunks(
    tasks.filter((task) => task.closedAtMs === null),
    SETTLED_AT_ONCE,
  ))
    await settleOpen(work, actor, part, states)
  return states
}

async function settleOpen(
  work: Work,
  actor: Actor,
  tasks: readonly Task[],
  states: Map<string, TaskState>,
): Promise<void> {
  const facts = await gatherFacts(work.db, tasks)
  const drafts: AuditDraft[] = []
  const closed: string[] = []
  for (const task of tasks) {
    const derived = derive(task.terms, facts.get(task.id)!.facts, work.nowMs)
    states.set(task.id, derived.state)
    await saveDerived(work.db, task, derived, nextDueMs(task.terms, derived))
    drafts.push(...changesOf(task, derived))
    if (derived.closedAtMs !== null) closed.push(task.id)
  }
  await appendAudit(work, actor, drafts)
  const links = await listTaskLinks(work.db, closed)
  await endLinks(work, actor, await listLinksWithoutOpenTask(work.db, links), 'ended')
}

const subjectOf = (task: Task, fromVersion = task.fromVersion) => ({
  unit: task.unitId,
  task: task.id,
  package: task.packageId,
  fromVersion,
  toVersion: task.toVersion,
  sha256: task.terms.digests.sha256,
})

const moveDetail = (move: Move) => ({
  state: move.state,
  at: toRfc3339(move.atMs),
  observedAt: move.observedAtMs === null ? null : toRfc3339(move.observedAtMs),
  implied: move.implied,
  grade: move.grade,
  evidence: move.evidence,
})

/** What changed, as log entries: states reached, or resting on other evidence, or taken back by a late fact, and so on. */
function changesOf(task: Task, derived: Derived): AuditDraft[] {
  const subject = subjectOf(task, derived.fromVersion)
  const had = new Map(task.moves.map((move) => [move.state, JSON.stringify(moveDetail(move))]))
  const has = new Set(derived.moves.map((move) => move.state))
  const drafts: AuditDraft[] = derived.moves
    .map((move) => ({ action: 'task.moved', ...subject, detail: moveDetail(move) }))
    .filter(({ detail }) => had.get(detail.state) !== JSON.stringify(detail))
  const takenBack = [...had.keys()].filter((state) => !has.has(state))
  if (takenBack.length > 0)
    drafts.push({ action: 'task.moved', ...subject, detail: { state: derived.state, takenBack } })
  const flags = derived.flags.filter((flag) => !task.flags.includes(flag))
  if (flags.length > 0) drafts.push({ action: 'task.flagged', ...subject, detail: { flags } })
  if (derived.closedAtMs !== null) drafts.push({ action: 'task.closed', ...subject, ...closeDetail(derived) })
  drafts.push(...derived.afterwards.map((entry) => ({ ...afterwardsDraft(entry), ...subject })))
  return drafts
}

/** The reason of a person who cancels is in their own words, which may name persons: erasable. */
function closeDetail({ state, reason, moves }: Derived): Pick<AuditDraft, 'detail' | 'labels'> {
  if (moves.at(-1)!.evidence.kind !== 'cancel' || reason === null) return { detail: { state, reason } }
  return { detail: { state, reason: 'person' }, labels: { note: reason } }
}

const afterwardsDraft = ({ observedAtMs, version, meaning }: Afterwards): AuditDraft => ({
  action: 'task.afterwards',
  detail: { observedAt: toRfc3339(observedAtMs), version, meaning },
})

/** Keeps beside closed tasks what was reported of them since. */
export async function noteAfterwards(
  work: Work,
  actor: Actor,
  reports: readonly { task: Task; observedAtMs: number; version: string }[],
): Promise<void> {
  const closed = new Map(reports.map(({ task }) => [task.id, task]))
  const drafts: AuditDraft[] = []
  for (const task of closed.values()) {
    const late = reports
      .filter((report) => report.task.id === task.id)
      .slice(0, AFTERWARDS_MAX - task.afterwards.length)
      .map(({ observedAtMs, version }) => ({
        observedAtMs,
        version,
        meaning: meaningAfterwards({ ...task, version }),
      }))
    if (late.length === 0) continue
    const all = [...task.afterwards, ...late].sort((a, b) => a.observedAtMs - b.observedAtMs)
    await saveAfterwards(work.db, task.id, all)
    drafts.push(...late.map((entry) => ({ ...afterwardsDraft(entry), ...subjectOf(task) })))
  }
  await appendAudit(work, actor, drafts)
}
