// For numbers that are looked at every few seconds: tasks by state and reason, and live links, are counted on an index
// of a few bytes a row instead of on the rows themselves.
import { type Kysely, sql } from 'kysely'

export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.createIndex('task_state').on('task').columns(['state', 'reason']).execute()
  await db.schema
    .createIndex('link_live')
    .on('link')
    .column('expires_at_ms')
    .where(sql.ref('end_reason'), 'is', null)
    .execute()
}
