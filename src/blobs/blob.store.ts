import type { Db } from '../db/db.js'
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
