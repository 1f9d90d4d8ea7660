// Brings a task to where its facts say it is: derive, store, log and end what ends with it, in one transaction.
import type { Actor } from '../audit/actor.js'
import { type AuditDraft, appendAudit } from '../audit/audit.store.js'
import { toRfc3339 } from '../clock.js'
import type { Work } from '../db/db.js'
import { endLinks } from '../links/link.service.js'
import { listLinksWithoutOpenTask } from '../links/link.store.js'
import { AFTERWARDS_MAX, meaningAfterwards } from './afterwards.js'
import { derive, nextDueMs } from './derive.js'
import type { Afterwards, Derived, Fact, Move } from './facts.js'
import { gatherFacts } from './facts.store.js'
import { findTasks, saveAfterwards, saveDerived, type Task } from './task.store.js'

/** Recomputes these tasks from all their facts. Returns them as they are now, in the order given. */
export async function settleTasks(work: Work, actor: Actor, ids: readonly string[]): Promise<Task[]> {
  const tasks = await findTasks(work.db, ids)
  const facts = await gatherFacts(work.db, tasks)
  const drafts: AuditDraft[] = []
  const links: string[] = []
  for (const task of tasks) {
    const known = facts.get(task.id)!.facts
    if (task.closedAtMs !== null) {
      // Exits and confirmed are final: what comes later is kept beside them.
      drafts.push(...(await noteAfterwards(work, task, known)))
      continue
    }
    const derived = derive(task.terms, known, work.nowMs)
    await saveDerived(work.db, task.id, derived, nextDueMs(task.terms, derived))
    drafts.push(...changesOf(task, derived))
    if (derived.closedAtMs !== null && task.linkId !== null) links.push(task.linkId)
  }
  await appendAudit(work, actor, drafts)
  await endLinks(work, actor, await listLinksWithoutOpenTask(work.db, links), 'ended')
  return findTasks(work.db, ids)
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

/** What changed, as log entries: states reached, states taken back by a late fact, new flags, the close. */
function changesOf(task: Task, derived: Derived): AuditDraft[] {
  const subject = subjectOf(task, derived.fromVersion)
  const had = new Set(task.moves.map((move) => move.state))
  const has = new Set(derived.moves.map((move) => move.state))
  const drafts: AuditDraft[] = derived.moves
    .filter((move) => !had.has(move.state))
    .map((move) => ({ action: 'task.moved', ...subject, detail: moveDetail(move) }))
  const takenBack = [...had].filter((state) => !has.has(state))
  if (takenBack.length > 0)
    drafts.push({ action: 'task.moved', ...subject, detail: { state: derived.state, takenBack } })
  const flags = derived.flags.filter((flag) => !task.flags.includes(flag))
  if (flags.length > 0) drafts.push({ action: 'task.flagged', ...subject, detail: { flags } })
  if (derived.closedAtMs !== null) {
    drafts.push({ action: 'task.closed', ...subject, detail: { state: derived.state, reason: derived.reason } })
  }
  return drafts
}

async function noteAfterwards(work: Work, task: Task, facts: readonly Fact[]): Promise<AuditDraft[]> {
  const known = new Set(task.afterwards.map((entry) => `${entry.observedAtMs} ${entry.version}`))
  const late: Afterwards[] = facts.flatMap((fact) =>
    fact.kind === 'checkin' &&
    fact.receivedAtMs >= task.closedAtMs! &&
    !isEvidence(task, fact.id) &&
    !known.has(`${fact.observedAtMs} ${fact.version}`)
      ? [
          {
            observedAtMs: fact.observedAtMs,
            version: fact.version,
            meaning: meaningAfterwards({ ...task, version: fact.version }),
          },
        ]
      : [],
  )
  if (late.length === 0 || task.afterwards.length >= AFTERWARDS_MAX) return []
  await saveAfterwards(work.db, task.id, [...task.afterwards, ...late])
  return late.map((entry) => ({
    action: 'task.afterwards',
    ...subjectOf(task),
    detail: { observedAt: toRfc3339(entry.observedAtMs), version: entry.version, meaning: entry.meaning },
  }))
}

/** The very report that closed a task was received at the moment of the close; it is not something that came later. */
const isEvidence = (task: Task, factId: string): boolean => task.moves.some((move) => move.evidence.id === factId)
