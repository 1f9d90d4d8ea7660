// Loads what the view of many tasks needs, a few queries for each 500.
import { linkToken } from '../access/secret.js'
import type { Db } from '../db/db.js'
import { findLedgers } from '../downloads/ledger.store.js'
import { listHoldSpans } from '../hold/hold.store.js'
import { findLinks } from '../links/link.store.js'
import { findPackage } from '../packages/package.store.js'
import { findUnits } from '../units/unit.store.js'
import { derive } from './derive.js'
import type { Fact, Standing } from './facts.js'
import { gatherFacts } from './facts.store.js'
import { deadlineOf } from './held.js'
import { closedStanding } from './standing.js'
import { findCommands, type Task } from './task.store.js'
import { type TaskView, toTaskView } from './task-view.js'

export interface ViewSettings {
  serverSecret: string
  publicUrl: string | null
  behindProxy: boolean
}

/** @param viewer what the viewer may see, and when they look: standings depend on the time. */
export async function loadTaskViews(
  db: Db,
  tasks: readonly Task[],
  settings: ViewSettings,
  viewer: { seesSecrets: boolean; nowMs: number },
): Promise<TaskView[]> {
  const units = await findUnits(
    db,
    tasks.map((task) => task.unitId),
  )
  const linkIds = [...new Set(tasks.flatMap((task) => task.linkId ?? []))]
  const links = await findLinks(db, linkIds)
  const ledgers = await findLedgers(db, linkIds)
  const commands = await findCommands(
    db,
    tasks.map((task) => task.id),
  )
  const facts = await gatherFacts(
    db,
    tasks.filter((task) => task.closedAtMs === null),
  )
  // Nothing that could be sent is given out: a text that has no token repeats no command.
  const holds = tasks.length === 0 ? [] : await listHoldSpans(db, Math.min(...tasks.map((task) => task.issuedAtMs)))
  const onHold = holds.some(({ untilMs }) => untilMs === null)
  const sizes = new Map<string, number>()
  for (const id of new Set(tasks.map((task) => task.packageId))) sizes.set(id, (await findPackage(db, id))!.sizeBytes)

  return tasks.map((task) => {
    const known = facts.get(task.id)?.facts ?? []
    const { nowMs } = viewer
    const held = holds.flatMap((hold): Fact[] =>
      task.closedAtMs === null || hold.fromMs < task.closedAtMs ? [{ kind: 'held', ...hold }] : [],
    )
    const link = task.linkId === null ? null : (links.get(task.linkId) ?? null)
    return toTaskView({
      task,
      unit: units.get(task.unitId)!,
      sizeBytes: sizes.get(task.packageId)!,
      link,
      token: link && viewer.seesSecrets && !onHold ? linkToken(settings.serverSecret, link.id) : null,
      command: commands.get(task.id) ?? null,
      ledger: link ? (ledgers.get(link.id) ?? null) : null,
      standing: standingOf(task, known, { nowMs, dueMs: deadlineOf(task.terms, held) }),
      onHold,
      deadlineMs: deadlineOf(task.terms, endedBy(held, nowMs)),
      nowMs,
      publicUrl: settings.publicUrl,
      behindProxy: settings.behindProxy,
    })
  })
}

/** A standing is never stored: it is what the facts mean at the moment of looking. */
function standingOf(task: Task, facts: readonly Fact[], at: { nowMs: number; dueMs: number }): Standing {
  if (task.closedAtMs !== null) return closedStanding({ ...task, closedAtMs: task.closedAtMs })
  // Until the clock's own work has closed a task that is due, it is shown as it stood just before.
  const lookMs = task.dueAtMs === null ? at.nowMs : Math.min(at.nowMs, at.dueMs - 1)
  return derive(task.terms, facts, lookMs).standing
}

/** The deadline that is shown while a hold lasts is the one that there would be if it ended now. */
const endedBy = (held: readonly Fact[], nowMs: number): Fact[] =>
  held.map((fact) => (fact.kind === 'held' && fact.untilMs === null ? { ...fact, untilMs: nowMs } : fact))
