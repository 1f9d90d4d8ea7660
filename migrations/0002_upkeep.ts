// What keeps a server going: holds, checks of stored files, and how far the clean-up has come.
import { type Kysely, sql } from 'kysely'

export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema
    .createTable('hold')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('cause', 'text', (c) => c.notNull().check(sql`cause in ('restore','person')`))
    .addColumn('reason', 'text', (c) => c.notNull())
    .addColumn('set_at_ms', 'bigint', (c) => c.notNull())
    .addColumn('set_by', 'text', (c) => c.notNull())
    .addColumn('counts_from_ms', 'bigint', (c) => c.notNull())
    .addColumn('backup', 'text')
    .addColumn('numbers', 'text', (c) => c.notNull())
    .addColumn('released_at_ms', 'bigint')
    .addColumn('released_by', 'text')
    .addColumn('note', 'text')
    .execute()
  // One hold at a time, held by the database itself: an index over a value that is the same for all open ones.
  await db.schema
    .createIndex('hold_open')
    .unique()
    .on('hold')
    .expression(sql`(released_at_ms is null)`)
    .where(sql.ref('released_at_ms'), 'is', null)
    .execute()

  await db.schema
    .createTable('blob_check')
    .addColumn('sha256', 'text', (c) => c.primaryKey().references('blob.sha256'))
    .addColumn('checked_at_ms', 'bigint')
    .addColumn('suspect_at_ms', 'bigint')
    .addColumn('damaged_at_ms', 'bigint')
    .addColumn('fault', 'text', (c) => c.check(sql`fault in ('missing','changed','unreadable')`))
    .execute()
  await db.schema
    .createTable('scrub')
    .addColumn('id', 'text', (c) => c.primaryKey())
    .addColumn('package_id', 'text', (c) => c.references('package.id'))
    .addColumn('started_at_ms', 'bigint', (c) => c.notNull())
    .addColumn('started_by', 'text', (c) => c.notNull())
    .addColumn('ended_at_ms', 'bigint')
    .addColumn('after_sha256', 'text', (c) => c.notNull())
    .addColumn('files', 'integer', (c) => c.notNull())
    .addColumn('bytes', 'bigint', (c) => c.notNull())
    .addColumn('checked_files', 'integer', (c) => c.notNull())
    .addColumn('checked_bytes', 'bigint', (c) => c.notNull())
    .addColumn('damaged', 'text', (c) => c.notNull())
    .execute()
  // One at a time: two would only fight for the disk.
  await db.schema
    .createIndex('scrub_running')
    .unique()
    .on('scrub')
    .expression(sql`(ended_at_ms is null)`)
    .where(sql.ref('ended_at_ms'), 'is', null)
    .execute()

  await db.schema
    .createTable('upkeep')
    .addColumn('name', 'text', (c) => c.primaryKey())
    .addColumn('detail', 'text', (c) => c.notNull())
    .execute()
}
