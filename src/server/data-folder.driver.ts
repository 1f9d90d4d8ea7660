// The data folder: what lies where, the server's secret, and the lock that keeps a second server out.
import { randomBytes } from 'node:crypto'
import {
  chmodSync,
  closeSync,
  existsSync,
  linkSync,
  mkdirSync,
  openSync,
  readdirSync,
  readFileSync,
  rmSync,
  writeFileSync,
} from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { storageFull } from '../db/storage-fault.js'

export interface DataFolder {
  folder: string
  databaseFile: string
  /** 256 bits, hex. Links, keys and sessions follow from it: whoever has it and the database has everything. */
  serverSecret: string
}

const SECRET_BYTES = 32

/** Creates what is missing, readable by the server's user only. */
export function openDataFolder(folder: string): DataFolder {
  const secretFile = path.join(folder, 'secret')
  const databaseFile = path.join(folder, 'firmhand.db')
  let serverSecret: string
  try {
    mkdirSync(folder, { recursive: true, mode: 0o700 })
    if (!existsSync(secretFile)) makeSecret(secretFile)
    chmodSync(secretFile, 0o600)
    // Made here, so that it and the files that SQLite puts beside it are its user's alone whatever the umask is.
    closeSync(openSync(databaseFile, 'a', 0o600))
    chmodSync(databaseFile, 0o600)
    serverSecret = readFileSync(secretFile, 'utf8').trim()
  } catch (error) {
    throw unusable(folder, error)
  }
  if (!/^[0-9a-f]{64}$/.test(serverSecret)) {
    throw new Error(`${secretFile} is not a secret of this program; restore it from the backup of this data folder.`)
  }
  return { folder, databaseFile, serverSecret }
}

/** Whole or not at all, whenever the program ends; where two do this at once, the first one's stays. */
function makeSecret(secretFile: string): void {
  const draft = `${secretFile}.${process.pid}`
  try {
    writeFileSync(draft, `${randomBytes(SECRET_BYTES).toString('hex')}\n`, { mode: 0o600, flush: true })
    linkSync(draft, secretFile)
  } catch (error) {
    // There already: somebody else was first, and a server that runs on it may have swept our draft away.
    if (!existsSync(secretFile)) throw error
  } finally {
    rmSync(draft, { force: true })
  }
}

/** Drafts of starts that were killed. Whoever holds the folder has its secret: no draft is needed any more. */
function sweepDrafts(folder: string): void {
  for (const name of readdirSync(folder))
    if (/^secret\.\d+$/.test(name)) rmSync(path.join(folder, name), { force: true })
}

const unusable = (folder: string, cause: unknown): Error =>
  storageFull(`the data folder ${folder}`, cause) ??
  new Error(
    `The data folder ${folder} cannot be used: ${(cause as Error).message}. Let the server's user write there, or set FIRMHAND_DATA to another folder.`,
    { cause },
  )

/**
 * Holds the folder for one server: a second one would sweep away the first one's uploads. The lock is that of an empty
 * database file: the system's, so it goes with the process and nothing is left to clean up after a crash, and it holds
 * between containers that share the folder.
 */
export function lockDataFolder(folder: string): () => void {
  try {
    const lock = new BetterSqlite(path.join(folder, 'lock'), { timeout: 0 })
    try {
      // Nothing is ever stored in it: it needs no journal on a disk that may be full.
      lock.pragma('journal_mode = MEMORY')
      lock.exec('begin exclusive')
    } catch (error) {
      lock.close()
      throw error
    }
    sweepDrafts(folder)
    return () => lock.close()
  } catch (error) {
    const isHeld = /^SQLITE_(BUSY|LOCKED)/.test(String((error as { code?: string }).code))
    throw isHeld ? new Error(`Another server runs on ${folder}: stop it first.`) : unusable(folder, error)
  }
}
