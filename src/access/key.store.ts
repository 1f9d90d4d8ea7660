import type { Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import { runText } from '../db/raw.driver.js'
import type { Database } from '../db/schema.js'
import type { Page } from '../http/zod-routes.js'
import { ROLES, type Role } from './roles.js'

export interface Key {
  id: string
  name: string
  role: Role
  createdAtMs: number
  expiresAtMs: number | null
  revokedAtMs: number | null
}

function toKey(row: Selectable<Database['access_key']>): Key {
  const role = ROLES.find((known) => known === row.role)
  if (!role) throw new Error(`key ${row.id}: unknown role in the database`)
  return {
    id: row.id,
    name: row.name,
    role,
    createdAtMs: Number(row.created_at_ms),
    expiresAtMs: row.expires_at_ms === null ? null : Number(row.expires_at_ms),
    revokedAtMs: row.revoked_at_ms === null ? null : Number(row.revoked_at_ms),
  }
}

export async function insertKey(db: Db, key: Key, secretHash: string): Promise<void> {
  await db
    .insertInto('access_key')
    .values({
      id: key.id,
      name: key.name,
      role: key.role,
      secret_hash: secretHash,
      created_at_ms: key.createdAtMs,
      expires_at_ms: key.expiresAtMs,
      revoked_at_ms: key.revokedAtMs,
    })
    .execute()
}

export async function listKeys(db: Db, page: Page): Promise<Key[]> {
  const rows = await db
    .selectFrom('access_key')
    .selectAll()
    .where('id', '>', page.after ?? '')
    .orderBy('id')
    .limit(page.limit + 1)
    .execute()
  return rows.map(toKey)
}

/** Revoked ones too. */
export async function countKeys(db: Db): Promise<number> {
  const { count } = await db
    .selectFrom('access_key')
    .select((select) => select.fn.countAll().as('count'))
    .executeTakeFirstOrThrow()
  return Number(count)
}

export async function findKey(db: Db, id: string): Promise<Key | null> {
  const row = await db.selectFrom('access_key').selectAll().where('id', '=', id).executeTakeFirst()
  return row ? toKey(row) : null
}

const isLive = (key: Key, nowMs: number): boolean =>
  key.revokedAtMs === null && (key.expiresAtMs === null || key.expiresAtMs > nowMs)

/** Asked with every request. */
const LIVE_KEY = 'select * from access_key where secret_hash = ?'

/** The live key with this secret; null = none, revoked or past its time. */
export async function findLiveKey(db: Db, secretHash: string, nowMs: number): Promise<Key | null> {
  const [row] = await runText<Selectable<Database['access_key']>>(db, LIVE_KEY, [secretHash])
  const key = row ? toKey(row) : null
  return key && isLive(key, nowMs) ? key : null
}

export async function markRevoked(db: Db, id: string, atMs: number): Promise<void> {
  await db.updateTable('access_key').set({ revoked_at_ms: atMs }).where('id', '=', id).execute()
  await db.deleteFrom('session').where('key_id', '=', id).execute()
}

export async function insertSession(
  db: Db,
  session: { cookieHash: string; keyId: string; csrfHash: string; expiresAtMs: number },
): Promise<void> {
  await db
    .insertInto('session')
    .values({
      id_hash: session.cookieHash,
      key_id: session.keyId,
      csrf_hash: session.csrfHash,
      expires_at_ms: session.expiresAtMs,
    })
    .execute()
}

/** The live session with this cookie and its live key. */
export async function findLiveSession(
  db: Db,
  cookieHash: string,
  nowMs: number,
): Promise<{ key: Key; csrfHash: string } | null> {
  const session = await db
    .selectFrom('session')
    .selectAll()
    .where('id_hash', '=', cookieHash)
    .where('expires_at_ms', '>', nowMs)
    .executeTakeFirst()
  const key = session ? await findKey(db, session.key_id) : null
  return session && key && isLive(key, nowMs) ? { key, csrfHash: session.csrf_hash } : null
}

export async function deleteSession(db: Db, cookieHash: string): Promise<void> {
  await db.deleteFrom('session').where('id_hash', '=', cookieHash).execute()
}

export async function deleteSessionsBefore(db: Db, atMs: number): Promise<void> {
  await db.deleteFrom('session').where('expires_at_ms', '<=', atMs).execute()
}
