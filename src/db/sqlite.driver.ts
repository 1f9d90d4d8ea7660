// Opens the embedded store. Every pragma has its reason beside it.
import BetterSqlite from 'better-sqlite3'
import { type DatabaseConnection, type Driver, Kysely, SqliteAdapter, SqliteDialect, SqliteDriver } from 'kysely'
import type { Db } from './db.js'
import type { Database } from './schema.js'
import { storageFull } from './storage-fault.js'

/** How long a statement waits for the lock of another process (a backup, an inspector) before it fails, ms. */
const BUSY_TIMEOUT_MS = 10_000
/** Above this the write-ahead log is cut back after a checkpoint, so that one burst does not keep the disk. */
const WAL_LIMIT_BYTES = 64 * 1024 * 1024

/** kysely's stock adapter says that DDL is not transactional here. It is: a migration that fails leaves nothing behind. */
class TransactionalDdlAdapter extends SqliteAdapter {
  override get supportsTransactionalDdl(): boolean {
    return true
  }
}

/** A full disk may have rolled a transaction back by itself: the fault that is told is the first one, not "no transaction". */
class ForgivingDriver extends SqliteDriver {
  override async rollbackTransaction(connection: DatabaseConnection): Promise<void> {
    await super.rollbackTransaction(connection).catch((error: Error) => {
      if (!/no transaction is active/.test(error.message)) throw error
    })
  }
}

class SqliteWithTransactionalDdl extends SqliteDialect {
  readonly #database: BetterSqlite.Database
  constructor(database: BetterSqlite.Database) {
    super({ database })
    this.#database = database
  }
  override createDriver(): Driver {
    return new ForgivingDriver({ database: this.#database })
  }
  override createAdapter(): SqliteAdapter {
    return new TransactionalDdlAdapter()
  }
}

/** @param mode `write` for the one writing thread, `read` for any other: a reader cannot change anything by mistake. */
export function openSqlite(file: string, mode: 'write' | 'read'): Db {
  try {
    return new Kysely<Database>({ dialect: new SqliteWithTransactionalDdl(connect(file, mode)) })
  } catch (error) {
    throw (
      storageFull(`the database ${file}`, error) ??
      new Error(`The database ${file} cannot be used: ${(error as Error).message}.`, { cause: error })
    )
  }
}

function connect(file: string, mode: 'write' | 'read'): BetterSqlite.Database {
  const database = new BetterSqlite(file, { timeout: BUSY_TIMEOUT_MS, readonly: mode === 'read' })
  if (mode === 'write') {
    // Readers go on while a write runs, and a commit is one append.
    database.pragma('journal_mode = WAL')
    // In WAL mode only FULL flushes the log at every commit: what was acknowledged survives a power cut.
    database.pragma('synchronous = FULL')
    database.pragma(`journal_size_limit = ${WAL_LIMIT_BYTES}`)
  }
  // Off by default in SQLite; a row that points nowhere is a bug that must not be stored.
  database.pragma('foreign_keys = ON')
  return database
}
