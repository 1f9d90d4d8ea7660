// Opens the embedded store. Every pragma has its reason beside it.
import BetterSqlite from 'better-sqlite3'
import {
  type DatabaseConnection,
  type Driver,
  Kysely,
  SqliteAdapter,
  type SqliteDatabase,
  SqliteDialect,
  SqliteDriver,
  type SqliteStatement,
} from 'kysely'
import type { Db } from './db.js'
import { goStraight } from './raw.driver.js'
import type { Database } from './schema.js'
import { storageFull } from './storage-fault.js'

/** How long a statement waits for the lock of another process (a backup, an inspector) before it fails, ms. */
const BUSY_TIMEOUT_MS = 10_000
/** Above this the write-ahead log is cut back after a checkpoint, so that one burst does not keep the disk. */
const WAL_LIMIT_BYTES = 64 * 1024 * 1024
/**
 * Pages in the write-ahead log (4 KiB each) before they are brought into the database file: that takes two flushes and a
 * write for each page, so the more often the same pages come by in between, the less is written.
 */
const CHECKPOINT_PAGES = 8000
/** Pages that the writer keeps in memory: a large issue puts rows all over its indexes, and reads each page again without it. */
const WRITER_CACHE_KIB = 64 * 1024
/** Prepared statements kept by their text: parsing one costs more than most of them take to run. */
const STATEMENTS_MAX = 400
/** Long texts are lists of ids, of a length that does not come again. */
const KEPT_TEXT_MAX = 20_000

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
  readonly #database: SqliteDatabase
  constructor(database: SqliteDatabase) {
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

/** By the handle that was opened. */
const databases = new WeakMap<Db, SqliteDatabase>()

/** Runs `use` with the one connection of `db`, which nobody else gets until it ends. */
export const withConnection = <T>(db: Db, use: (connection: Db) => Promise<T>): Promise<T> =>
  db.connection().execute((connection) => {
    goStraight(connection, databases.get(db)!)
    return use(connection)
  })

/** @param mode `write` for the one writing thread, `read` for any other: a reader cannot change anything by mistake. */
export function openSqlite(file: string, mode: 'write' | 'read'): Db {
  try {
    const database = keepingStatements(connect(file, mode))
    const db = new Kysely<Database>({ dialect: new SqliteWithTransactionalDdl(database) })
    databases.set(db, database)
    return db
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
    database.pragma(`wal_autocheckpoint = ${CHECKPOINT_PAGES}`)
    database.pragma(`cache_size = -${WRITER_CACHE_KIB}`)
  }
  // Off by default in SQLite; a row that points nowhere is a bug that must not be stored.
  database.pragma('foreign_keys = ON')
  return database
}

/**
 * The same database with statements that are prepared once. Nothing here reads row by row while it does something else, so no
 * statement is asked for while it is busy; SQLite itself prepares again what a change of the tables has made stale.
 */
function keepingStatements(database: BetterSqlite.Database): SqliteDatabase {
  const kept = new Map<string, BetterSqlite.Statement<unknown[]>>()
  return {
    close: () => database.close(),
    prepare: (text) => {
      const known = kept.get(text)
      const statement = known ?? database.prepare<unknown[]>(text)
      if (text.length > KEPT_TEXT_MAX) return statement as unknown as SqliteStatement
      // A map remembers the order of its making: what is used again moves to the end, the first one is the oldest.
      if (known) kept.delete(text)
      else if (kept.size >= STATEMENTS_MAX) kept.delete(kept.keys().next().value!)
      kept.set(text, statement)
      return statement as unknown as SqliteStatement
    },
  }
}
