import { type Selectable, sql } from 'kysely'
import type { Db } from '../db/db.js'
import { runText } from '../db/raw.driver.js'
import type { Database } from '../db/schema.js'
import type { BackupOrigin, HeldNumbers, Hold, HoldSpan } from './hold.js'

const toHold = (row: Selectable<Database['hold']>): Hold => ({
  id: row.id,
  cause: row.cause === 'restore' ? 'restore' : 'person',
  reason: row.reason,
  setAtMs: Number(row.set_at_ms),
  setBy: row.set_by,
  countsFromMs: Number(row.counts_from_ms),
  backup: row.backup === null ? null : (JSON.parse(row.backup) as BackupOrigin),
  numbers: JSON.parse(row.numbers) as HeldNumbers,
})

/** The hold that is open, null = things go out. */
export async function findHold(db: Db): Promise<Hold | null> {
  const row = await db.selectFrom('hold').selectAll().where('released_at_ms', 'is', null).executeTakeFirst()
  return row ? toHold(row) : null
}

const HOLD_SPANS = `select id, counts_from_ms, released_at_ms from hold
  where released_at_ms is null or released_at_ms > ? order by counts_from_ms`

/** Holds that lasted beyond that moment, oldest first. */
export async function listHoldSpans(db: Db, sinceMs: number): Promise<HoldSpan[]> {
  const rows = await runText<Pick<Selectable<Database['hold']>, 'id' | 'counts_from_ms' | 'released_at_ms'>>(
    db,
    HOLD_SPANS,
    [sinceMs],
  )
  return rows.map((row) => ({
    id: row.id,
    fromMs: Number(row.counts_from_ms),
    untilMs: row.released_at_ms === null ? null : Number(row.released_at_ms),
  }))
}

export async function insertHold(db: Db, hold: Hold): Promise<void> {
  await db
    .insertInto('hold')
    .values({
      id: hold.id,
      cause: hold.cause,
      reason: hold.reason,
      set_at_ms: hold.setAtMs,
      set_by: hold.setBy,
      counts_from_ms: hold.countsFromMs,
      backup: hold.backup && JSON.stringify(hold.backup),
      numbers: JSON.stringify(hold.numbers),
      released_at_ms: null,
      released_by: null,
      note: null,
    })
    .execute()
}

export async function closeHold(db: Db, id: string, end: { atMs: number; by: string; note: string }): Promise<void> {
  await db
    .updateTable('hold')
    .set({ released_at_ms: end.atMs, released_by: end.by, note: end.note })
    .where('id', '=', id)
    .execute()
}

/** Copy links that came with tasks end at the deadline of these, and stand still with it. */
const ofOpenTask = (db: Db) =>
  db.selectFrom('task').select('link_id').where('closed_at_ms', 'is', null).where('link_id', 'is not', null)

/** Lets links of open tasks end later by a hold's length, as the tasks do. */
export async function moveLinkEnds(db: Db, hold: { fromMs: number; untilMs: number }): Promise<void> {
  await db
    .updateTable('link')
    .set({ expires_at_ms: sql<number>`expires_at_ms + ${hold.untilMs - hold.fromMs}` })
    .where('end_reason', 'is', null)
    .where('expires_at_ms', '>', hold.fromMs)
    .where('id', 'in', ofOpenTask(db))
    .execute()
}

/** @param at.sinceMs the begin of the hold: what it keeps from ending counts as live. */
export async function countHeld(db: Db, at: { nowMs: number; sinceMs: number }): Promise<HeldNumbers> {
  const tasks = await db
    .selectFrom('task')
    .select((select) => select.fn.countAll<number | string>().as('count'))
    .where('closed_at_ms', 'is', null)
    .executeTakeFirstOrThrow()
  const links = await db
    .selectFrom('link')
    .innerJoin('package', 'package.id', 'link.package_id')
    .select((select) => select.fn.countAll<number | string>().as('count'))
    .where('link.end_reason', 'is', null)
    .where('package.state', '=', 'released')
    .where((where) =>
      where.or([
        where('link.expires_at_ms', 'is', null),
        where('link.expires_at_ms', '>', at.nowMs),
        where.and([where('link.expires_at_ms', '>', at.sinceMs), where('link.id', 'in', ofOpenTask(db))]),
      ]),
    )
    .executeTakeFirstOrThrow()
  const commands = await db
    .selectFrom('command')
    .innerJoin('task', 'task.id', 'command.task_id')
    .select((select) => select.fn.countAll<number | string>().as('count'))
    .where('task.closed_at_ms', 'is', null)
    .where((where) =>
      where.not(
        where.exists(
          where
            .selectFrom('task_fact')
            .select('task_fact.id')
            .whereRef('task_fact.task_id', '=', 'command.task_id')
            .where('task_fact.kind', '=', 'sent'),
        ),
      ),
    )
    .executeTakeFirstOrThrow()
  return {
    openTasks: Number(tasks.count),
    liveLinks: Number(links.count),
    unsentCommands: Number(commands.count),
  }
}

/** Sessions that a backup holds may have been closed since it was made. */
export async function endAllSessions(db: Db): Promise<void> {
  await db.deleteFrom('session').execute()
}
