// Open tasks in the order of their ids: after some months they are the least of the table, and a list of them read all
// closed ones that came before, some kilobytes each.
import { type Kysely, sql } from 'kysely'

export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createIndex('task_open_id')
    .on('task')
    .column('id')
    .where(sql.ref('closed_at_ms'), 'is', null)
    .execute()
}
