// What the doctor reads of the record: whether it is sound, and where downloads came from.
import { sql } from 'kysely'
import { migrations } from '../../migrations/index.js'
import { readHead } from '../audit/audit.store.js'
import type { Db } from '../db/db.js'
import type { DatabaseFacts } from './judge-database.js'
import type { PeerFacts } from './judge-peers.js'

const FAULTS_MAX = 10
/** Tries that are looked at, the newest: enough to see a pattern, however many there are. */
const TRIES_MAX = 20_000
const PEERS_MAX = 20
const DAYS_MS = 7 * 24 * 3600 * 1000

export async function readDatabase(db: Db): Promise<DatabaseFacts> {
  const checked = await sql<{ quick_check: string }>`pragma quick_check(${sql.lit(FAULTS_MAX)})`.execute(db)
  const applied = await sql<{ name: string }>`select name from kysely_migration order by name`.execute(db)
  const { seq } = await readHead(db)
  const newest = await db.selectFrom('audit').select('at_ms').where('seq', '=', seq).executeTakeFirst()
  return {
    state: 'open',
    quickCheck: checked.rows.map((row) => row.quick_check),
    applied: applied.rows.map(({ name }) => name),
    known: Object.keys(migrations),
    audit: newest ? { seq, atMs: Number(newest.at_ms) } : null,
  }
}

export async function largestPackage(db: Db): Promise<number | null> {
  const row = await db
    .selectFrom('blob')
    .select((select) => select.fn.max<number | string | null>('size_bytes').as('bytes'))
    .executeTakeFirst()
  return row?.bytes == null ? null : Number(row.bytes)
}

export async function readPeers(db: Db, nowMs: number): Promise<Pick<PeerFacts, 'links' | 'peers'>> {
  // Ids of tries rise with time: the newest are found without a walk over all of them.
  const newest = db
    .selectFrom('fetch_try')
    .select(['link_id', 'remote_address', 'started_at_ms', 'sent_bytes'])
    .orderBy('id', 'desc')
    .limit(TRIES_MAX)
    .as('newest')
  const recent = db
    .selectFrom(newest)
    .where('started_at_ms', '>', nowMs - DAYS_MS)
    .where('sent_bytes', '>', 0)
  const { links } = await recent
    .select((select) => select.fn.count<number | string>('link_id').distinct().as('links'))
    .executeTakeFirstOrThrow()
  const peers = await recent
    .select((select) => ['remote_address', select.fn.count<number | string>('link_id').distinct().as('links')])
    .groupBy('remote_address')
    .orderBy('links', 'desc')
    .limit(PEERS_MAX)
    .execute()
  return {
    links: Number(links),
    peers: peers.map((row) => ({ address: row.remote_address, links: Number(row.links) })),
  }
}
