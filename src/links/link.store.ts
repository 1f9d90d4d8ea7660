import type { Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import { insertRows } from '../db/raw.driver.js'
import type { Database } from '../db/schema.js'
import { chunks } from '../units/unit.store.js'

export type LinkKind = 'unit' | 'copy'
export type EndReason = 'ended' | 'revoked' | 'withdrawn' | 'budget-spent'

export interface Link {
  id: string
  kind: LinkKind
  packageId: string
  unitId: string | null
  fileName: string
  byteBudgetBytes: number
  expiresAtMs: number | null
  createdAtMs: number
  createdBy: string
  endReason: EndReason | null
  endedAtMs: number | null
}

export function toLink(row: Selectable<Database['link']>): Link {
  return {
    id: row.id,
    kind: row.kind as LinkKind,
    packageId: row.package_id,
    unitId: row.unit_id,
    fileName: row.file_name,
    byteBudgetBytes: Number(row.byte_budget_bytes),
    expiresAtMs: row.expires_at_ms === null ? null : Number(row.expires_at_ms),
    createdAtMs: Number(row.created_at_ms),
    createdBy: row.created_by,
    endReason: row.end_reason as EndReason | null,
    endedAtMs: row.ended_at_ms === null ? null : Number(row.ended_at_ms),
  }
}

export const insertLinks = (db: Db, links: readonly { link: Link; tokenHash: string }[]): Promise<unknown> =>
  insertRows(
    db,
    'link',
    links.map(({ link, tokenHash }) => ({
      id: link.id,
      token_hash: tokenHash,
      kind: link.kind,
      package_id: link.packageId,
      unit_id: link.unitId,
      file_name: link.fileName,
      byte_budget_bytes: link.byteBudgetBytes,
      expires_at_ms: link.expiresAtMs,
      created_at_ms: link.createdAtMs,
      created_by: link.createdBy,
      end_reason: link.endReason,
      ended_at_ms: link.endedAtMs,
    })),
  )

export const joinTasks = (db: Db, pairs: readonly { linkId: string; taskId: string }[]): Promise<unknown> =>
  insertRows(
    db,
    'link_task',
    pairs.map(({ linkId, taskId }) => ({ link_id: linkId, task_id: taskId })),
  )

export async function findLink(db: Db, id: string): Promise<Link | null> {
  const row = await db.selectFrom('link').selectAll().where('id', '=', id).executeTakeFirst()
  return row ? toLink(row) : null
}

export async function findLinks(db: Db, ids: readonly string[]): Promise<Map<string, Link>> {
  const found = new Map<string, Link>()
  for (const part of chunks(ids)) {
    const rows = await db.selectFrom('link').selectAll().where('id', 'in', part).execute()
    for (const row of rows) found.set(row.id, toLink(row))
  }
  return found
}

/** Ends links that are still live; returns which ones. */
export async function markEnded(
  db: Db,
  ids: readonly string[],
  end: { reason: EndReason; atMs: number },
): Promise<string[]> {
  const ended: string[] = []
  for (const part of chunks(ids)) {
    const rows = await db
      .updateTable('link')
      .set({ end_reason: end.reason, ended_at_ms: end.atMs })
      .where('id', 'in', part)
      .where('end_reason', 'is', null)
      .returning('id')
      .execute()
    ended.push(...rows.map((row) => row.id))
  }
  return ended
}

export async function listPackageLinks(db: Db, packageId: string): Promise<string[]> {
  const rows = await db
    .selectFrom('link')
    .select('id')
    .where('package_id', '=', packageId)
    .where('end_reason', 'is', null)
    .execute()
  return rows.map((row) => row.id)
}

/** Tasks that a link serves. */
export async function listLinkTasks(db: Db, linkId: string): Promise<string[]> {
  const rows = await db
    .selectFrom('link_task')
    .select('task_id')
    .where('link_id', '=', linkId)
    .orderBy('task_id')
    .execute()
  return rows.map((row) => row.task_id)
}

/** Links that serve any of these tasks: their own, and copy links that were made for them later. */
export async function listTaskLinks(db: Db, taskIds: readonly string[]): Promise<string[]> {
  const links = new Set<string>()
  for (const part of chunks(taskIds)) {
    const rows = await db.selectFrom('link_task').select('link_id').distinct().where('task_id', 'in', part).execute()
    for (const row of rows) links.add(row.link_id)
  }
  return [...links]
}

/** Live links of which every task is closed: they end with their task. Copy links without tasks live until they expire. */
export async function listLinksWithoutOpenTask(db: Db, linkIds: readonly string[]): Promise<string[]> {
  const done: string[] = []
  for (const part of chunks(linkIds)) {
    const rows = await db
      .selectFrom('link')
      .select('link.id')
      .where('link.id', 'in', part)
      .where('link.end_reason', 'is', null)
      .where((where) =>
        where.not(
          where.exists(
            where
              .selectFrom('link_task')
              .innerJoin('task', 'task.id', 'link_task.task_id')
              .select('task.id')
              .whereRef('link_task.link_id', '=', 'link.id')
              .where('task.closed_at_ms', 'is', null),
          ),
        ),
      )
      .execute()
    done.push(...rows.map((row) => row.id))
  }
  return done
}

/** Which of these are open tasks done by hand with this package. */
export async function openTasksAmong(
  db: Db,
  of: { taskIds: readonly string[]; packageId: string },
): Promise<Set<string>> {
  const open = new Set<string>()
  for (const part of chunks(of.taskIds)) {
    const rows = await db
      .selectFrom('task')
      .select('id')
      .where('id', 'in', part)
      .where('package_id', '=', of.packageId)
      .where('method', '!=', 'air')
      .where('closed_at_ms', 'is', null)
      .execute()
    for (const row of rows) open.add(row.id)
  }
  return open
}

/** Links made for this unit, oldest first. */
export async function listUnitLinks(db: Db, unitId: string): Promise<string[]> {
  const rows = await db.selectFrom('link').select('id').where('unit_id', '=', unitId).orderBy('id').execute()
  return rows.map((row) => row.id)
}
