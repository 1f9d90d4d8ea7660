import type { Db } from '../db/db.js'
import type { BlobFault } from './check.driver.js'
import type { FileDigests } from './digests.js'

/** Registers stored bytes; the same bytes again change nothing. */
export async function insertBlob(db: Db, digests: FileDigests, atMs: number): Promise<void> {
  await db
    .insertInto('blob')
    .values({
      sha256: digests.sha256,
      size_bytes: digests.sizeBytes,
      sha1: digests.sha1,
      md5: digests.md5,
      crc32: digests.crc32,
      block_digests: digests.blocks.toString('base64'),
      stored_at_ms: atMs,
    })
    .onConflict((conflict) => conflict.column('sha256').doNothing())
    .execute()
}

export async function hasBlob(db: Db, sha256: string): Promise<boolean> {
  return (await db.selectFrom('blob').select('sha256').where('sha256', '=', sha256).executeTakeFirst()) !== undefined
}

/** Size, and the SHA-256 of each block of 1 MiB (32 bytes each, one after the other). */
export async function findBlocks(db: Db, sha256: string): Promise<{ sizeBytes: number; blocks: Buffer } | null> {
  const row = await db
    .selectFrom('blob')
    .select(['size_bytes', 'block_digests'])
    .where('sha256', '=', sha256)
    .executeTakeFirst()
  return row ? { sizeBytes: Number(row.size_bytes), blocks: Buffer.from(row.block_digests, 'base64') } : null
}

export async function listBlobNames(db: Db): Promise<string[]> {
  return (await db.selectFrom('blob').select('sha256').execute()).map((row) => row.sha256)
}

export async function isDamaged(db: Db, sha256: string): Promise<boolean> {
  const row = await db.selectFrom('blob_check').select('damaged_at_ms').where('sha256', '=', sha256).executeTakeFirst()
  return row !== undefined && row.damaged_at_ms !== null
}

/** When the file was known to be whole, or looked at, last; null = never since it was stored. */
export async function lastCheckMs(db: Db, sha256: string): Promise<number | null> {
  const row = await db.selectFrom('blob_check').select('checked_at_ms').where('sha256', '=', sha256).executeTakeFirst()
  return row?.checked_at_ms == null ? null : Number(row.checked_at_ms)
}

interface BlobCheck {
  checkedAtMs?: number
  suspectAtMs?: number | null
  damagedAtMs?: number | null
  fault?: BlobFault | null
}

/** What is known of a stored file since it was stored; members left out stay as they are. */
export async function noteCheck(db: Db, sha256: string, check: BlobCheck): Promise<void> {
  const values = {
    ...(check.checkedAtMs !== undefined && { checked_at_ms: check.checkedAtMs }),
    ...(check.suspectAtMs !== undefined && { suspect_at_ms: check.suspectAtMs }),
    ...(check.damagedAtMs !== undefined && { damaged_at_ms: check.damagedAtMs }),
    ...(check.fault !== undefined && { fault: check.fault }),
  }
  await db
    .insertInto('blob_check')
    .values({ sha256, checked_at_ms: null, suspect_at_ms: null, damaged_at_ms: null, fault: null, ...values })
    .onConflict((conflict) => conflict.column('sha256').doUpdateSet(values))
    .execute()
}

/** A file that serving found odd and that nobody has looked at since. */
export async function nextSuspect(db: Db): Promise<{ sha256: string; sizeBytes: number } | null> {
  const row = await db
    .selectFrom('blob_check')
    .innerJoin('blob', 'blob.sha256', 'blob_check.sha256')
    .select(['blob.sha256', 'blob.size_bytes'])
    .where('blob_check.suspect_at_ms', 'is not', null)
    .orderBy('blob_check.suspect_at_ms')
    .limit(1)
    .executeTakeFirst()
  return row ? { sha256: row.sha256, sizeBytes: Number(row.size_bytes) } : null
}
