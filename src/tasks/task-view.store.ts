// Loads what the view of many tasks needs, a few queries for each 500.
import { linkToken } from '../access/secret.js'
import type { Db } from '../db/db.js'
import { findLedgers } from '../downloads/ledger.store.js'
import { findLinks } from '../links/link.store.js'
import { findPackage } from '../packages/package.store.js'
import { findUnits } from '../units/unit.store.js'
import { derive } from './derive.js'
import type { Standing } from './facts.js'
import { gatherFacts } from './facts.store.js'
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
  const sizes = new Map<string, number>()
  for (const id of new Set(tasks.map((task) => task.packageId))) sizes.set(id, (await findPackage(db, id))!.sizeBytes)

  return tasks.map((task) => {
    const link = task.linkId === null ? null : (links.get(task.linkId) ?? null)
    return toTaskView({
      task,
      unit: units.get(task.unitId)!,
      sizeBytes: sizes.get(task.packageId)!,
      link,
      token: link && viewer.seesSecrets ? linkToken(settings.serverSecret, link.id) : null,
      command: commands.get(task.id) ?? null,
      ledger: link ? (ledgers.get(link.id) ?? null) : null,
      standing: standingOf(task, facts.get(task.id)?.facts ?? [], viewer.nowMs),
      nowMs: viewer.nowMs,
      publicUrl: settings.publicUrl,
      behindProxy: settings.behindProxy,
    })
  })
}

/** A standing is never stored: it is what the facts mean at the moment of looking. */
function standingOf(task: Task, facts: Parameters<typeof derive>[1], nowMs: number): Standing {
  if (task.closedAtMs !== null) return closedStanding({ ...task, closedAtMs: task.closedAtMs })
  // Until the clock's own work has closed a task that is due, it is shown as it stood just before.
  return derive(task.terms, facts, task.dueAtMs === null ? nowMs : Math.min(nowMs, task.dueAtMs - 1)).standing
}
