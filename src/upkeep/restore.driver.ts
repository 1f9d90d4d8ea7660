// Brings a backup back into an empty data folder: checked before it is copied, checked as a copy, and put in its place in
// one step, with everything on hold. At the first fault nothing is left behind.
import { existsSync } from 'node:fs'
import { chmod, lstat, mkdir, readdir, readFile, rename, rm } from 'node:fs/promises'
import path from 'node:path'
import type { Actor } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import type { ChainHead } from '../audit/chain.js'
import { noteCheck } from '../blobs/blob.store.js'
import { checkBlob, hashFile } from '../blobs/check.driver.js'
import { fileOf } from '../blobs/disk.driver.js'
import type { Clock } from '../clock.js'
import type { Work } from '../db/db.js'
import { migrate } from '../db/migrate.driver.js'
import { openSqlite } from '../db/sqlite.driver.js'
import { createWriteQueue } from '../db/write-queue.driver.js'
import { AppError } from '../errors.js'
import type { HeldNumbers } from '../hold/hold.js'
import { placeHold } from '../hold/hold.service.js'
import { endAllSessions, findHold } from '../hold/hold.store.js'
import { listPackagesWithBytes } from '../packages/package.store.js'
import { isStamp, listSets, setsOf } from './backup.driver.js'
import { copyFlushed, explainDisk, flush, readBounded } from './files.driver.js'
import { MANIFEST_MAX_BYTES, type Manifest, readManifest, SET_FILES } from './manifest.js'
import { checkRecord, type RecordFacts } from './record-check.driver.js'

const BY_CLI: Actor = { id: 'cli', name: 'the command line of the server', role: 'integrator', via: 'cli', once: null }
/** Modes as a first start makes them: the folder for its user alone, packages for its group too. */
const DATA_MODE = 0o700
const FOLDER_MODE = 0o750
const BLOB_MODE = 0o640
/** 64 hex digits and a line break. */
const SECRET_MAX_BYTES = 1024

export interface RestoreOrder {
  source: string
  /** Name of a set; null = the newest. */
  set: string | null
  dataFolder: string
  /** A head that was kept elsewhere: shows a backup that was made anew. */
  expectedHead: ChainHead | null
  clock: Clock
  /** Holds a data folder against servers and other restores. */
  lock: (folder: string) => () => void
  tell: (text: string) => void
}

export interface RestoreResult {
  manifest: Manifest
  set: string
  held: HeldNumbers
}

export async function restore(order: RestoreOrder): Promise<RestoreResult> {
  const { dataFolder, tell } = order
  await refuseUsed(order)
  const set = await chooseSet(order)
  const from = path.join(setsOf(order.source), set)
  tell(`checking ${from}`)
  const { manifest, facts } = await checkSet(order, from)

  const temporary = `${dataFolder}.restoring`
  await claimTemporary(temporary)
  const unlock = order.lock(temporary)
  try {
    // What a restore that was killed left: under the lock it is nobody's.
    for (const name of await readdir(temporary))
      if (name !== 'lock') await rm(path.join(temporary, name), { recursive: true, force: true })
    tell('copying')
    await copySet({ order, from, temporary, manifest })
    const held = await prepareRecord({ order, temporary, manifest, facts })
    tell('checking the copy')
    await checkCopy(temporary, manifest)
    await flush(temporary)
    await rename(temporary, dataFolder).catch((error: NodeJS.ErrnoException) => {
      if (error.code === 'ENOTEMPTY' || error.code === 'EEXIST') throw notEmpty(dataFolder)
      if (error.code !== 'EBUSY' && error.code !== 'EXDEV') throw error
      const detail = `${dataFolder} is a mount point, which nothing can be moved onto in one step: set FIRMHAND_DATA to a folder below it.`
      throw new AppError('restore-refused', detail, {}, { cause: error })
    })
    await flush(path.dirname(dataFolder))
    return { manifest, set, held }
  } catch (error) {
    await rm(temporary, { recursive: true, force: true })
    throw explainDisk(error, `The disk of ${dataFolder} is full: nothing was restored. Make room and try again.`)
  } finally {
    unlock()
  }
}

/** All that a restore, or the lock on its folder, ever puts there. */
const OWN_NAMES = /^(lock|secret|incoming|packages|firmhand\.db)(-(journal|wal|shm))?$/

/** Everything in it is removed before the copy: so it has to be what an earlier restore left, and nobody else's. */
async function claimTemporary(temporary: string): Promise<void> {
  if (await makeBeside(temporary)) return
  const isFolder = (await lstat(temporary)).isDirectory()
  const foreign = isFolder ? (await readdir(temporary)).find((name) => !OWN_NAMES.test(name)) : null
  if (foreign !== undefined) {
    const what = foreign === null ? 'is no folder' : `holds ${foreign}, which no restore put there`
    const detail = `${temporary}, where the copy is made, ${what}: move it away.`
    throw new AppError('restore-refused', detail)
  }
  await chmod(temporary, DATA_MODE)
}

/** Whether the folder was made; false where something is there. In /var/lib, what lies beside a service's folder belongs to root. */
async function makeBeside(temporary: string): Promise<boolean> {
  try {
    await mkdir(path.dirname(temporary), { recursive: true, mode: FOLDER_MODE })
    await mkdir(temporary, { mode: DATA_MODE })
    return true
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    if (code === 'EEXIST') return false
    if (code !== 'EACCES' && code !== 'EROFS') throw error
    const detail = `This user cannot write to ${path.dirname(temporary)}, where the folder is put together: restore as root and give the folder to the server's user then (chown -R), or set FIRMHAND_DATA to a folder below one of its own.`
    throw new AppError('restore-refused', detail, {}, { cause: error })
  }
}

/** Never over anything: what is there may be the better copy. */
async function refuseUsed({ dataFolder, lock }: RestoreOrder): Promise<void> {
  const names = existsSync(dataFolder) ? await readdir(dataFolder) : []
  if (names.length === 0) return
  // Says so where a server holds it; otherwise it is merely not empty.
  if (names.includes('lock')) lock(dataFolder)()
  throw notEmpty(dataFolder)
}

const notEmpty = (dataFolder: string): AppError =>
  new AppError(
    'restore-refused',
    `${dataFolder} is not empty, and nothing is ever restored over what is there: move it away, or set FIRMHAND_DATA to another folder.`,
  )

async function chooseSet({ source, set }: RestoreOrder): Promise<string> {
  const sets = await listSets(source)
  const chosen = set ?? sets.at(-1)
  if (chosen === undefined)
    throw new AppError(
      'backup-broken',
      `There is no whole backup in ${source}: name the folder that backups are made into.`,
    )
  if (!isStamp(chosen) || !sets.includes(chosen))
    throw new AppError(
      'backup-broken',
      `There is no backup ${chosen} in ${source}; there are ${sets.join(', ') || 'none'}.`,
    )
  return chosen
}

const broken = (detail: string, cause?: unknown): AppError =>
  new AppError(
    'backup-broken',
    `The backup is not whole: ${detail}. Nothing was restored; take an older set with --set.`,
    {},
    { cause },
  )

/** Every file against the manifest, and the record against itself and against the manifest. */
async function checkSet(order: RestoreOrder, from: string): Promise<{ manifest: Manifest; facts: RecordFacts }> {
  try {
    const manifest = readManifest(await readBounded(path.join(from, 'manifest.json'), MANIFEST_MAX_BYTES))
    for (const name of SET_FILES) {
      const verdict = await checkBlob(path.join(from, name), manifest.files[name])
      if (verdict !== 'whole') throw new Error(`${name} is ${verdict}`)
    }
    const secret = (await readBounded(path.join(from, 'secret'), SECRET_MAX_BYTES)).trim()
    const head = order.expectedHead ?? manifest.audit
    const facts = checkRecord(path.join(from, 'firmhand.db'), { secret, head })
    compare(manifest, facts)
    for (const blob of manifest.packages) {
      const verdict = await checkBlob(fileOf(order.source, blob.sha256), blob)
      if (verdict !== 'whole') throw new Error(`package ${blob.sha256} is ${verdict}`)
    }
    return { manifest, facts }
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') throw broken('its manifest is missing', error)
    throw error instanceof AppError ? error : broken((error as Error).message, error)
  }
}

function compare(manifest: Manifest, facts: RecordFacts): void {
  if (facts.server !== manifest.server) throw new Error('the database is that of another server')
  if (facts.head.seq !== manifest.audit.seq || facts.head.hash !== manifest.audit.hash)
    throw new Error(`the audit log ends at entry ${facts.head.seq}, the manifest says ${manifest.audit.seq}`)
  for (const name of Object.keys(facts.counts) as (keyof Manifest['counts'])[]) {
    if (facts.counts[name] !== manifest.counts[name])
      throw new Error(`the database holds ${facts.counts[name]} ${name}, the manifest says ${manifest.counts[name]}`)
  }
  const listed = [...manifest.packages, ...manifest.damaged].map(({ sha256 }) => sha256).sort()
  const known = facts.blobs.map(({ sha256 }) => sha256)
  const missing = known.find((sha256) => !listed.includes(sha256))
  if (missing !== undefined || listed.length !== known.length)
    throw new Error(`the manifest does not list the package files of the record${missing ? `: ${missing}` : ''}`)
}

interface Copying {
  order: RestoreOrder
  from: string
  temporary: string
  manifest: Manifest
}

async function copySet({ order, from, temporary, manifest }: Copying): Promise<void> {
  for (const name of ['firmhand.db', 'secret'] as const) {
    const copied = await copyFlushed({ from: path.join(from, name), to: path.join(temporary, name) })
    if (copied.sha256 !== manifest.files[name].sha256) throw broken(`${name} changed while it was copied`)
  }
  for (const folder of ['incoming', 'packages']) await mkdir(path.join(temporary, folder), { mode: FOLDER_MODE })
  const folders = new Set<string>()
  for (const { sha256 } of manifest.packages) {
    const to = fileOf(temporary, sha256)
    const folder = path.dirname(to)
    await mkdir(folder, { recursive: true, mode: FOLDER_MODE })
    folders.add(folder)
    const copied = await copyFlushed({ from: fileOf(order.source, sha256), to, mode: BLOB_MODE })
    if (copied.sha256 !== sha256) throw broken(`package ${sha256} changed while it was copied`)
  }
  for (const folder of [...folders, path.join(temporary, 'packages')]) await flush(folder)
}

/** Puts everything on hold, in the record itself, before any server can see it. */
async function prepareRecord(given: {
  order: RestoreOrder
  temporary: string
  manifest: Manifest
  facts: RecordFacts
}): Promise<HeldNumbers> {
  const { manifest, facts } = given
  const db = openSqlite(path.join(given.temporary, 'firmhand.db'), 'write')
  try {
    await migrate(db)
    const queue = createWriteQueue({ db, clock: given.order.clock, publish: () => undefined })
    const held = await queue.run(async (work) => {
      await endAllSessions(work.db)
      await noteDamage(work, manifest, facts)
      const atMs = Date.parse(manifest.at)
      await placeHold(work, BY_CLI, {
        cause: 'restore',
        reason: `restored from the backup of ${manifest.at}; what was sent, revoked or withdrawn since then is not known here`,
        countsFromMs: Math.min(atMs, work.nowMs),
        backup: { atMs, head: manifest.audit },
      })
      return (await findHold(work.db))!.numbers
    })
    await queue.close()
    return held
  } finally {
    await db.destroy()
  }
}

/** The record learns which of its files are whole: a backup may hold a good copy of what was damaged, or lack a file. */
async function noteDamage(work: Work, manifest: Manifest, facts: RecordFacts): Promise<void> {
  const log = async (action: string, sha256: string, detail: Record<string, unknown>) => {
    const packs = await listPackagesWithBytes(work.db, sha256)
    await appendAudit(
      work,
      BY_CLI,
      packs.map((pack) => ({ action, package: pack.id, toVersion: pack.version, sha256, detail })),
    )
  }
  for (const { sha256, fault } of manifest.damaged) {
    await noteCheck(work.db, sha256, { checkedAtMs: work.nowMs, suspectAtMs: null, damagedAtMs: work.nowMs, fault })
    if (!facts.damaged.has(sha256)) await log('package.damaged', sha256, { fault })
  }
  for (const { sha256 } of manifest.packages) {
    if (!facts.damaged.has(sha256)) continue
    await noteCheck(work.db, sha256, { checkedAtMs: work.nowMs, suspectAtMs: null, damagedAtMs: null, fault: null })
    await log('package.repaired', sha256, { by: 'restore' })
  }
}

/** The same checks once more, on what a server will open. */
async function checkCopy(temporary: string, manifest: Manifest): Promise<void> {
  const secret = await hashFile(path.join(temporary, 'secret'))
  if (secret?.sha256 !== manifest.files.secret.sha256) throw broken('the secret changed while it was copied')
  const text = (await readFile(path.join(temporary, 'secret'), 'utf8')).trim()
  checkRecord(path.join(temporary, 'firmhand.db'), { secret: text, head: manifest.audit })
  for (const blob of manifest.packages) {
    if ((await checkBlob(fileOf(temporary, blob.sha256), blob)) !== 'whole')
      throw broken(`package ${blob.sha256} was not copied whole`)
  }
}
