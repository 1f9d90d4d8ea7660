import type { Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import type { Database } from '../db/schema.js'

export interface Scrub {
  id: string
  /** null = all packages. */
  packageId: string | null
  startedAtMs: number
  startedBy: string
  endedAtMs: number | null
  afterSha256: string
  files: number
  bytes: number
  checkedFiles: number
  checkedBytes: number
  /** SHA-256 of each file that was found damaged. */
  damaged: string[]
}

const toScrub = (row: Selectable<Database['scrub']>): Scrub => ({
  id: row.id,
  packageId: row.package_id,
  startedAtMs: Number(row.started_at_ms),
  startedBy: row.started_by,
  endedAtMs: row.ended_at_ms === null ? null : Number(row.ended_at_ms),
  afterSha256: row.after_sha256,
  files: row.files,
  bytes: Number(row.bytes),
  checkedFiles: row.checked_files,
  checkedBytes: Number(row.checked_bytes),
  damaged: JSON.parse(row.damaged) as string[],
})

export async function findRunningScrub(db: Db): Promise<Scrub | null> {
  const row = await db.selectFrom('scrub').selectAll().where('ended_at_ms', 'is', null).executeTakeFirst()
  return row ? toScrub(row) : null
}

/** The one that began last, be it over or not. */
export async function findLastScrub(db: Db): Promise<Scrub | null> {
  const row = await db.selectFrom('scrub').selectAll().orderBy('id', 'desc').limit(1).executeTakeFirst()
  return row ? toScrub(row) : null
}

/** When all packages were looked at last, else when the server began. */
export async function lastWholeScrubMs(db: Db): Promise<number> {
  const row = await db
    .selectFrom('scrub')
    .select('started_at_ms')
    .where('package_id', 'is', null)
    .orderBy('id', 'desc')
    .limit(1)
    .executeTakeFirst()
  if (row) return Number(row.started_at_ms)
  const server = await db.selectFrom('server').select('created_at_ms').executeTakeFirst()
  return Number(server?.created_at_ms ?? 0)
}

export async function insertScrub(db: Db, scrub: Scrub): Promise<void> {
  await db
    .insertInto('scrub')
    .values({
      id: scrub.id,
      package_id: scrub.packageId,
      started_at_ms: scrub.startedAtMs,
      started_by: scrub.startedBy,
      ended_at_ms: scrub.endedAtMs,
      after_sha256: scrub.afterSha256,
      files: scrub.files,
      bytes: scrub.bytes,
      checked_files: scrub.checkedFiles,
      checked_bytes: scrub.checkedBytes,
      damaged: JSON.stringify(scrub.damaged),
    })
    .execute()
}

export async function saveScrub(db: Db, scrub: Scrub): Promise<void> {
  await db
    .updateTable('scrub')
    .set({
      ended_at_ms: scrub.endedAtMs,
      after_sha256: scrub.afterSha256,
      checked_files: scrub.checkedFiles,
      checked_bytes: scrub.checkedBytes,
      damaged: JSON.stringify(scrub.damaged),
    })
    .where('id', '=', scrub.id)
    .execute()
}

/** How much a check of these bytes, or of all, has to read. */
export async function sizeUp(db: Db, sha256: string | null): Promise<{ files: number; bytes: number }> {
  let query = db
    .selectFrom('blob')
    .select((select) => [
      select.fn.countAll<number | string>().as('files'),
      select.fn.sum<number | string | null>('size_bytes').as('bytes'),
    ])
  if (sha256 !== null) query = query.where('sha256', '=', sha256)
  const row = await query.executeTakeFirstOrThrow()
  return { files: Number(row.files), bytes: Number(row.bytes ?? 0) }
}

/** The next file of a run, in the order of the digests; null = it has seen all. */
export async function nextOfScrub(db: Db, scrub: Scrub): Promise<{ sha256: string; sizeBytes: number } | null> {
  let query = db
    .selectFrom('blob')
    .select(['sha256', 'size_bytes'])
    .where('sha256', '>', scrub.afterSha256)
    .orderBy('sha256')
    .limit(1)
  const { packageId } = scrub
  if (packageId !== null)
    query = query.where('sha256', 'in', (inner) =>
      inner.selectFrom('package').select('sha256').where('id', '=', packageId),
    )
  const row = await query.executeTakeFirst()
  return row ? { sha256: row.sha256, sizeBytes: Number(row.size_bytes) } : null
}

/** Links that would give out these bytes. */
export async function listLiveLinksOf(db: Db, sha256: string): Promise<string[]> {
  const rows = await db
    .selectFrom('link')
    .innerJoin('package', 'package.id', 'link.package_id')
    .select('link.id')
    .where('package.sha256', '=', sha256)
    .where('link.end_reason', 'is', null)
    .execute()
  return rows.map((row) => row.id)
}
