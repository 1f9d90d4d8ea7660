// Looks at a database file as a whole, and says the first thing that is wrong with it: pages, references, every entry of
// the log. Opens it for reading only. What it counts goes into the manifest of a backup.
import { hash } from 'node:crypto'
import BetterSqlite from 'better-sqlite3'
import { migrations } from '../../migrations/index.js'
import { hashSecret, keySecret } from '../access/secret.js'
import { type ChainHead, EMPTY_HEAD, hashOf } from '../audit/chain.js'
import type { Manifest } from './manifest.js'

export interface RecordFacts {
  server: string
  schema: string[]
  head: ChainHead
  counts: Manifest['counts']
  blobs: { sha256: string; sizeBytes: number }[]
  /** Bytes that the record itself knows to be damaged. */
  damaged: Set<string>
}

/**
 * @param expected.head an entry that must be there with this very hash
 * @throws Error naming the first fault
 */
export function checkRecord(file: string, expected: { secret: string; head?: ChainHead }): RecordFacts {
  let database: BetterSqlite.Database | null = null
  try {
    database = new BetterSqlite(file, { readonly: true, fileMustExist: true })
    return look(database, expected)
  } catch (error) {
    const { code } = error as { code?: string }
    if (typeof code === 'string' && code.startsWith('SQLITE_'))
      throw new Error(`the database cannot be read: ${(error as Error).message}`, { cause: error })
    throw error
  } finally {
    database?.close()
  }
}

function look(database: BetterSqlite.Database, expected: { secret: string; head?: ChainHead }): RecordFacts {
  const [whole] = database.pragma('integrity_check(1)') as { integrity_check: string }[]
  if (whole?.integrity_check !== 'ok') throw new Error(`the database is damaged: ${whole?.integrity_check}`)
  const [lost] = database.pragma('foreign_key_check') as { table: string; rowid: number; parent: string }[]
  if (lost) throw new Error(`the database is damaged: a row of ${lost.table} points to no row of ${lost.parent}`)
  const schema = schemaOf(database)
  const [foreign] = database
    .prepare("select type, name from sqlite_schema where type in ('trigger', 'view') limit 1")
    .all() as { type: string; name: string }[]
  // It would run with the first change that the server makes: a hold, say, could be taken away as it is set.
  if (foreign) throw new Error(`the database holds the ${foreign.type} ${foreign.name}, and this program makes none`)
  const server = database.prepare('select id from server').get() as { id: string } | undefined
  if (!server) throw new Error('the database names no server')
  checkSecret(database, expected.secret)
  const head = checkLog(database, expected.head)
  const number = (sql: string) => (database.prepare(sql).get() as { n: number }).n
  return {
    server: server.id,
    schema,
    head,
    counts: {
      units: number('select count(*) n from unit'),
      tasks: number('select count(*) n from task'),
      openTasks: number('select count(*) n from task where closed_at_ms is null'),
      links: number('select count(*) n from link'),
      packages: number('select count(*) n from package'),
      checkins: number('select count(*) n from checkin'),
      auditEntries: number('select count(*) n from audit'),
    },
    blobs: (
      database.prepare('select sha256, size_bytes from blob order by sha256').all() as {
        sha256: string
        size_bytes: number
      }[]
    ).map((row) => ({ sha256: row.sha256, sizeBytes: row.size_bytes })),
    damaged: damagedIn(database, schema),
  }
}

function schemaOf(database: BetterSqlite.Database): string[] {
  const table = "select 1 from sqlite_schema where type = 'table' and name = 'kysely_migration'"
  if (!database.prepare(table).get()) throw new Error('the database is none of this program')
  const rows = database.prepare('select name from kysely_migration order by name').all() as { name: string }[]
  const names = rows.map((row) => row.name)
  const unknown = names.find((name) => !(name in migrations))
  if (unknown !== undefined)
    throw new Error(`the database was made by a newer program (${unknown}): use that program, or a newer one`)
  return names
}

/** A record of an older program has no such table. */
function damagedIn(database: BetterSqlite.Database, schema: readonly string[]): Set<string> {
  if (!schema.includes('0002_upkeep')) return new Set()
  const rows = database.prepare('select sha256 from blob_check where damaged_at_ms is not null').all()
  return new Set((rows as { sha256: string }[]).map((row) => row.sha256))
}

/** Keys and links follow from the secret: with another one all of them would be dead, and nobody would know why. */
function checkSecret(database: BetterSqlite.Database, secret: string): void {
  const key = database.prepare('select id, secret_hash from access_key limit 1').get() as
    | { id: string; secret_hash: string }
    | undefined
  if (key && hashSecret(keySecret(secret, key.id)) !== key.secret_hash)
    throw new Error('the secret does not belong to this database')
}

interface Row {
  seq: number
  at_ms: number
  action: string
  actor_id: string
  unit_id: string | null
  task_id: string | null
  body: string
  hash: string
  labels: string | null
}

interface Body {
  seq: number
  at: string
  prev: string
  action: string
  actor: { id: string }
  unit: string | null
  task: string | null
  labelsHash: string | null
}

/** Every entry against its hash, its place, its labels and the columns that it is found by. */
function checkLog(database: BetterSqlite.Database, expected: ChainHead | undefined): ChainHead {
  let last: ChainHead = EMPTY_HEAD
  for (const row of database.prepare('select * from audit order by seq').iterate() as IterableIterator<Row>) {
    const fault = faultOf(row, last)
    if (fault) throw new Error(`the audit log is not intact: entry ${last.seq + 1} ${fault}`)
    last = { seq: row.seq, hash: row.hash }
    if (expected?.seq === row.seq && expected.hash !== row.hash)
      throw new Error(`the audit log is another one: entry ${row.seq} has not the hash that is expected of it`)
  }
  if (expected && expected.seq > last.seq)
    throw new Error(`the audit log ends at entry ${last.seq}, before the head ${expected.seq} that is expected of it`)
  return last
}

function faultOf(row: Row, last: ChainHead): string | null {
  if (row.seq !== last.seq + 1) return 'is missing'
  if (hash('sha256', row.body, 'hex') !== row.hash) return 'is not what was written'
  const body = JSON.parse(row.body) as Body
  if (body.seq !== row.seq || body.prev !== last.hash) return 'does not follow on the one before it'
  if (row.labels !== null && hashOf(JSON.parse(row.labels)) !== body.labelsHash) return 'has other labels than written'
  const asFound = [row.at_ms, row.action, row.actor_id, row.unit_id, row.task_id]
  const asWritten = [Date.parse(body.at), body.action, body.actor.id, body.unit, body.task]
  return asFound.every((value, index) => value === asWritten[index]) ? null : 'is filed under something else'
}
