// Makes a backup of a data folder, be its server running or not: a snapshot of the database, the secret, and the package
// bytes that are not in the backup yet. The server is asked nothing and waits for nothing: SQLite gives a reader one moment
// of the database, whatever is written meanwhile, and package files never change.
import { existsSync, realpathSync } from 'node:fs'
import { chmod, readdir, readFile, rename, rm, stat } from 'node:fs/promises'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { type BlobFault, checkBlob, hashFile } from '../blobs/check.driver.js'
import { fileOf } from '../blobs/disk.driver.js'
import { type Clock, toRfc3339 } from '../clock.js'
import { AppError } from '../errors.js'
import {
  copyFlushed,
  explainDisk,
  FILE_MODE,
  flush,
  lockBackupFolder,
  makeFolder,
  readBounded,
  writeFlushed,
} from './files.driver.js'
import {
  BACKUP_FORMAT,
  MANIFEST_MAX_BYTES,
  type Manifest,
  PROGRAM_VERSION,
  readManifest,
  sealManifest,
} from './manifest.js'
import { checkRecord } from './record-check.driver.js'

export interface BackupResult {
  manifest: Manifest
  /** The folder of this set. */
  folder: string
  copiedFiles: number
  copiedBytes: number
  /** Older sets that made room. */
  removed: string[]
}

export interface BackupOrder {
  dataFolder: string
  target: string
  /** The settings of whoever makes the backup, for the day on which they are needed elsewhere. */
  settings: Record<string, string>
  /** Sets that stay, the new one among them. */
  keep: number
  /** Package files that are in the backup already are believed by their size, and not read again. */
  quick: boolean
  clock: Clock
  tell: (text: string) => void
}

const PART = '.part'
export const setsOf = (target: string): string => path.join(target, 'sets')
/** A set is named by its time, UTC, in a form that every file system takes and that sorts by time. */
const stampOf = (atMs: number): string => toRfc3339(atMs).replace(/[:.]/g, '-')
export const isStamp = (name: string): boolean => /^\d{4}-\d\d-\d\dT\d\d-\d\d-\d\d-\d{3}Z$/.test(name)

/** Names of the whole sets, oldest first. */
export async function listSets(target: string): Promise<string[]> {
  const names = existsSync(setsOf(target)) ? await readdir(setsOf(target)) : []
  return names.filter(isStamp).sort()
}

export async function backup(order: BackupOrder): Promise<BackupResult> {
  const { dataFolder, target } = order
  const database = path.join(dataFolder, 'firmhand.db')
  if (!existsSync(database)) {
    throw new AppError('backup-refused', `There is no database in ${dataFolder}: FIRMHAND_DATA names the data folder.`)
  }
  refuseInside(target, dataFolder)
  try {
    await makeFolder(setsOf(target))
    await makeFolder(path.join(target, 'packages'))
  } catch (error) {
    throw explainDisk(error, fullDetail(target))
  }
  const unlock = lockBackupFolder(target)
  try {
    refuseInside(setsOf(target), dataFolder)
    refuseInside(path.join(target, 'packages'), dataFolder)
    await refuseOthers(order, database)
    await removeLeftovers(target)
    return await makeSet(order, database)
  } catch (error) {
    await removeLeftovers(target)
    throw explainDisk(error, fullDetail(target))
  } finally {
    unlock()
  }
}

const fullDetail = (target: string): string =>
  `The disk of ${target} is full: this backup was not made, those made before are as they were. Make room, or keep fewer with --keep.`

/** What lies in the data folder is lost with it, and the server sweeps its package folder. */
function refuseInside(target: string, dataFolder: string): void {
  const [inner, outer] = [realPlace(target), realpathSync(dataFolder)]
  if (inner === outer || inner.startsWith(outer + path.sep))
    throw new AppError('backup-refused', `${target} lies in the data folder itself: name a folder on another disk.`)
}

/** Sets of two servers in one folder would make room for each other: a good one goes because of somebody else's new one. */
async function refuseOthers({ target, dataFolder }: BackupOrder, database: string): Promise<void> {
  const [newest] = (await listSets(target)).slice(-1)
  if (newest === undefined) return
  const file = path.join(setsOf(target), newest, 'manifest.json')
  const text = await readBounded(file, MANIFEST_MAX_BYTES).catch(() => null)
  const other = text === null ? null : serverIn(text)
  const own = serverOf(database)
  if (other === null || own === null || other === own) return
  throw new AppError(
    'backup-refused',
    `${target} holds backups of another server (${other}): name a folder for ${dataFolder} alone.`,
  )
}

/** What is damaged says nothing, and hinders no new backup. */
function serverIn(text: string): string | null {
  try {
    return readManifest(text).server
  } catch {
    return null
  }
}

/** null = the record cannot be read: what is wrong with it is said later. */
function serverOf(database: string): string | null {
  const source = new BetterSqlite(database, { readonly: true, fileMustExist: true, timeout: 10_000 })
  try {
    return (source.prepare('select id from server').get() as { id: string } | undefined)?.id ?? null
  } catch {
    return null
  } finally {
    source.close()
  }
}

/** Where a folder is, or would be if it were made. */
function realPlace(folder: string): string {
  if (existsSync(folder)) return realpathSync(folder)
  return path.join(realPlace(path.dirname(folder)), path.basename(folder))
}

async function makeSet(order: BackupOrder, database: string): Promise<BackupResult> {
  const { dataFolder, target, tell } = order
  const sets = setsOf(target)
  let atMs = order.clock()
  while (existsSync(path.join(sets, stampOf(atMs)))) atMs += 1
  const folder = path.join(sets, stampOf(atMs))
  const part = `${folder}${PART}`
  await makeFolder(part)

  const secretText = await readFile(path.join(dataFolder, 'secret'), 'utf8')
  tell('copying the database')
  snapshot(database, path.join(part, 'firmhand.db'))
  await chmod(path.join(part, 'firmhand.db'), FILE_MODE)
  await flush(path.join(part, 'firmhand.db'))
  tell('checking the copy')
  const facts = checkRecord(path.join(part, 'firmhand.db'), { secret: secretText.trim() })

  const packages: Manifest['packages'] = []
  const damaged: Manifest['damaged'] = []
  let [copiedFiles, copiedBytes] = [0, 0]
  for (const blob of facts.blobs) {
    const kept = await keepBlob(order, blob)
    if (kept.fault) {
      damaged.push({ sha256: blob.sha256, fault: kept.fault })
      continue
    }
    packages.push(blob)
    if (!kept.copied) continue
    copiedFiles += 1
    copiedBytes += blob.sizeBytes
    tell(`copied package ${blob.sha256}`)
  }

  const manifest = sealManifest({
    format: BACKUP_FORMAT,
    program: PROGRAM_VERSION,
    at: toRfc3339(atMs),
    server: facts.server,
    schema: facts.schema,
    audit: facts.head,
    counts: facts.counts,
    files: {
      'firmhand.db': (await hashFile(path.join(part, 'firmhand.db')))!,
      secret: await writeFlushed(path.join(part, 'secret'), secretText),
      'settings.json': await writeFlushed(
        path.join(part, 'settings.json'),
        `${JSON.stringify(order.settings, null, 2)}\n`,
      ),
    },
    packages,
    damaged,
  })
  await writeFlushed(path.join(part, 'manifest.json'), `${JSON.stringify(manifest, null, 2)}\n`)
  await flush(part)
  // From here on it is a backup, and not before.
  await rename(part, folder)
  await flush(sets)
  return { manifest, folder, copiedFiles, copiedBytes, removed: await removeOld(target, order.keep) }
}

/**
 * The database as it is at one moment. VACUUM INTO rather than a copy page by page: that one begins anew whenever the
 * server writes, and would carry over what was erased and still stands in free pages.
 */
function snapshot(database: string, into: string): void {
  const source = new BetterSqlite(database, { readonly: true, fileMustExist: true, timeout: 10_000 })
  try {
    source.prepare('vacuum into ?').run(into)
  } finally {
    source.close()
  }
}

/** Sees to it that the bytes lie in the backup. A good copy from an earlier one stands in for a damaged original. */
async function keepBlob(
  order: BackupOrder,
  blob: { sha256: string; sizeBytes: number },
): Promise<{ copied: boolean; fault?: BlobFault }> {
  const kept = fileOf(order.target, blob.sha256)
  if (order.quick ? await hasSize(kept, blob.sizeBytes) : (await checkBlob(kept, blob)) === 'whole')
    return { copied: false }
  const part = `${kept}${PART}`
  const folder = path.dirname(kept)
  await makeFolder(folder)
  const found = await copyFlushed({ from: fileOf(order.dataFolder, blob.sha256), to: part }).catch(
    (error: Error) => error,
  )
  if (found instanceof Error) {
    await rm(part, { force: true })
    // Is it the original that cannot be read? Then the rest of the backup is all the more worth having.
    const verdict = await checkBlob(fileOf(order.dataFolder, blob.sha256), blob)
    if (verdict === 'whole' || verdict === 'stopped') throw found
    return { copied: false, fault: verdict }
  }
  if (found.sha256 !== blob.sha256 || found.sizeBytes !== blob.sizeBytes) {
    await rm(part, { force: true })
    return { copied: false, fault: 'changed' }
  }
  await rename(part, kept)
  await flush(folder)
  await flush(path.dirname(folder))
  return { copied: true }
}

const hasSize = async (file: string, sizeBytes: number): Promise<boolean> =>
  (await stat(file).catch(() => null))?.size === sizeBytes

/** What a backup that was killed or refused left behind. Only its own names are touched. */
async function removeLeftovers(target: string): Promise<void> {
  for (const name of await readdir(setsOf(target))) {
    if (name.endsWith(PART) && isStamp(name.slice(0, -PART.length)))
      await rm(path.join(setsOf(target), name), { recursive: true, force: true })
  }
  const packages = path.join(target, 'packages')
  for (const name of await readdir(packages, { recursive: true })) {
    if (/[0-9a-f]{64}\.part$/.test(name)) await rm(path.join(packages, name), { force: true })
  }
}

async function removeOld(target: string, keep: number): Promise<string[]> {
  const old = (await listSets(target)).slice(0, -keep)
  for (const name of old) {
    const folder = path.join(setsOf(target), name)
    // First it stops being a set: what is half removed must not be taken for one.
    await rename(folder, `${folder}${PART}`)
    await rm(`${folder}${PART}`, { recursive: true, force: true })
  }
  return old
}
