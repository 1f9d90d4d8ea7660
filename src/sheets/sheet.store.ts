// Loads what the sheets of some tasks need.
import { linkToken } from '../access/secret.js'
import { readHead } from '../audit/audit.store.js'
import type { Db } from '../db/db.js'
import { findHold } from '../hold/hold.store.js'
import { linkUrl } from '../links/link.service.js'
import { findLink, type Link, listLinks } from '../links/link.store.js'
import { findModel } from '../models/model.store.js'
import type { Profile } from '../models/profile.js'
import { findPackage, type Package } from '../packages/package.store.js'
import type { Task } from '../tasks/task.store.js'
import { linkState } from '../tasks/task-view.js'
import { findUnits } from '../units/unit.store.js'
import { isByHand, type Sheet, type SheetLink, sheetOf } from './sheet.js'

const MASK = '…'
/** Live links of one task that are looked at, oldest first; more are made for a task by nobody. */
const LINKS_MAX = 100

export interface SheetSettings {
  serverSecret: string
  publicUrl: string | null
}

export async function loadSheets(
  db: Db,
  tasks: readonly Task[],
  settings: SheetSettings,
  viewer: { seesSecrets: boolean; nowMs: number },
): Promise<Sheet[]> {
  const units = await findUnits(
    db,
    tasks.map((task) => task.unitId),
  )
  const packs = new Map<string, { pack: Package; profile: Profile }>()
  for (const id of new Set(tasks.map((task) => task.packageId))) {
    const pack = (await findPackage(db, id))!
    packs.set(id, { pack, profile: (await findModel(db, pack.modelId))!.profile })
  }
  const auditHead = await readHead(db)
  const onHold = (await findHold(db)) !== null
  const sheets: Sheet[] = []
  for (const task of tasks) {
    const { pack, profile } = packs.get(task.packageId)!
    const link = await linkOf(db, { task, pack, onHold }, settings, viewer)
    const unit = units.get(task.unitId)!
    sheets.push(sheetOf({ task, unit, pack, profile, link, auditHead, onHold, nowMs: viewer.nowMs }))
  }
  return sheets
}

/** The newest copy link of the task that still gives the file; never the unit's own, which is for the unit alone. */
async function linkOf(
  db: Db,
  { task, pack, onHold }: { task: Task; pack: Package; onHold: boolean },
  settings: SheetSettings,
  viewer: { seesSecrets: boolean; nowMs: number },
): Promise<SheetLink> {
  if (!isByHand(task.method)) return { kind: 'none', why: 'air' }
  if (task.closedAtMs !== null) return { kind: 'none', why: 'closed' }
  if (pack.state === 'withdrawn') return { kind: 'none', why: 'withdrawn' }
  if (settings.publicUrl === null) return { kind: 'none', why: 'no-public-url' }
  if (onHold) return { kind: 'none', why: 'on-hold' }
  const link = await liveLink(db, task, viewer.nowMs)
  if (!link) return { kind: 'none', why: 'ended' }
  if (!viewer.seesSecrets) return { kind: 'masked', url: linkUrl(settings.publicUrl, MASK, link.fileName) }
  const url = linkUrl(settings.publicUrl, linkToken(settings.serverSecret, link.id), link.fileName)
  return { kind: 'open', url, expiresAtMs: link.expiresAtMs }
}

async function liveLink(db: Db, task: Task, nowMs: number): Promise<Link | null> {
  const own = task.linkId === null ? null : await findLink(db, task.linkId)
  if (own && linkState(own, nowMs) === 'live') return own
  const others = await listLinks(db, { task: task.id, kind: 'copy', live: { nowMs }, limit: LINKS_MAX })
  return others.at(-1) ?? null
}
