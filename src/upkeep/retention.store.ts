// What retention erases, slice by slice. Each slice looks at a bounded number of rows, whatever it finds among them.
import { sql } from 'kysely'
import type { Db } from '../db/db.js'

/** A place to go on from, and what was erased up to there; `after` null = there is nothing more to look at. */
export interface Slice {
  after: string | null
  erased: number
}

/** Tries of links that serve no open task. The ledger, which claims rest on, stays. */
export async function eraseTries(db: Db, of: { after: string; beforeMs: number; rowsMax: number }): Promise<Slice> {
  const rows = await db
    .selectFrom('fetch_try')
    .select(['fetch_try.id', 'fetch_try.started_at_ms'])
    .select((select) =>
      select
        .exists(
          select
            .selectFrom('link_task')
            .innerJoin('task', 'task.id', 'link_task.task_id')
            .select('task.id')
            .whereRef('link_task.link_id', '=', 'fetch_try.link_id')
            .where('task.closed_at_ms', 'is', null),
        )
        .as('is_open'),
    )
    .where('fetch_try.id', '>', of.after)
    .orderBy('fetch_try.id')
    .limit(of.rowsMax)
    .execute()
  const old = rows.filter((row) => Number(row.started_at_ms) < of.beforeMs && !row.is_open)
  if (old.length > 0) {
    await db
      .deleteFrom('fetch_try')
      .where(
        'id',
        'in',
        old.map((row) => row.id),
      )
      .execute()
  }
  return { after: nextPlace(rows, of, (row) => Number(row.started_at_ms)), erased: old.length }
}

/** Ids sort by time, so that the first row that is young enough ends the pass. */
function nextPlace<T extends { id: string }>(
  rows: readonly T[],
  of: { beforeMs: number; rowsMax: number },
  atMs: (row: T) => number,
): string | null {
  const last = rows.at(-1)
  return last === undefined || rows.length < of.rowsMax || atMs(last) >= of.beforeMs ? null : last.id
}

/**
 * Reports of units without an open task, but never the newest ones of a unit: the next task takes from them what the unit
 * ran before.
 */
export async function eraseCheckins(
  db: Db,
  of: { after: string; beforeMs: number; rowsMax: number; newestKept: number },
): Promise<Slice> {
  const rows = await db
    .selectFrom('checkin')
    .select(['checkin.id', 'checkin.received_at_ms', 'checkin.observed_at_ms'])
    .select((select) => [
      select
        .exists(
          select
            .selectFrom('task')
            .select('task.id')
            .whereRef('task.unit_id', '=', 'checkin.unit_id')
            .where('task.closed_at_ms', 'is', null),
        )
        .as('is_open'),
      select
        .exists(
          select
            .selectFrom('checkin as newer')
            .select('newer.id')
            .whereRef('newer.unit_id', '=', 'checkin.unit_id')
            .whereRef('newer.observed_at_ms', '>', 'checkin.observed_at_ms')
            .orderBy('newer.observed_at_ms')
            .limit(1)
            .offset(of.newestKept - 1),
        )
        .as('is_beyond'),
    ])
    .where('checkin.id', '>', of.after)
    .orderBy('checkin.id')
    .limit(of.rowsMax)
    .execute()
  const old = rows.filter(
    (row) =>
      Math.max(Number(row.received_at_ms), Number(row.observed_at_ms)) < of.beforeMs && row.is_beyond && !row.is_open,
  )
  if (old.length > 0) {
    await db
      .deleteFrom('checkin')
      .where(
        'id',
        'in',
        old.map((row) => row.id),
      )
      .execute()
  }
  return { after: nextPlace(rows, of, (row) => Number(row.received_at_ms)), erased: old.length }
}

/** The labels of entries of the log; their salted hash stays, and with it the chain. */
export async function eraseLabels(
  db: Db,
  of: { afterSeq: number; beforeMs: number; rowsMax: number },
): Promise<{ afterSeq: number; more: boolean; erased: number }> {
  const rows = await db
    .selectFrom('audit')
    .select(['seq', 'at_ms'])
    .where('seq', '>', of.afterSeq)
    .orderBy('seq')
    .limit(of.rowsMax)
    .execute()
  const firstYoung = rows.findIndex((row) => Number(row.at_ms) >= of.beforeMs)
  const old = firstYoung < 0 ? rows : rows.slice(0, firstYoung)
  if (old.length === 0) return { afterSeq: of.afterSeq, more: false, erased: 0 }
  const lastSeq = Number(old.at(-1)!.seq)
  await overwrite(db)
  const { numUpdatedRows } = await db
    .updateTable('audit')
    .set({ labels: null })
    .where('seq', '>', of.afterSeq)
    .where('seq', '<=', lastSeq)
    .where('labels', 'is not', null)
    .executeTakeFirst()
  return { afterSeq: lastSeq, more: firstYoung < 0 && rows.length === of.rowsMax, erased: Number(numUpdatedRows) }
}

/** Those of all entries about one unit. */
export async function eraseUnitLabels(db: Db, unitId: string): Promise<number> {
  await overwrite(db)
  const { numUpdatedRows } = await db
    .updateTable('audit')
    .set({ labels: null })
    .where('unit_id', '=', unitId)
    .where('labels', 'is not', null)
    .executeTakeFirst()
  return Number(numUpdatedRows)
}

/** SQLite leaves what was erased in free space of the file until it is used again; with this it writes zeros there. */
const overwrite = (db: Db) => sql`pragma secure_delete = on`.execute(db)

/** How far the clean-up is: sums that are not in the log yet, and how far the labels are erased. */
export interface Progress {
  erased: { tries: number; checkins: number; labels: number }
  labelsAfterSeq: number
}

const NAME = 'retention'

export async function readProgress(db: Db): Promise<Progress> {
  const row = await db.selectFrom('upkeep').select('detail').where('name', '=', NAME).executeTakeFirst()
  return row
    ? (JSON.parse(row.detail) as Progress)
    : { erased: { tries: 0, checkins: 0, labels: 0 }, labelsAfterSeq: 0 }
}

export async function saveProgress(db: Db, progress: Progress): Promise<void> {
  const detail = JSON.stringify(progress)
  await db
    .insertInto('upkeep')
    .values({ name: NAME, detail })
    .onConflict((conflict) => conflict.column('name').doUpdateSet({ detail }))
    .execute()
}
