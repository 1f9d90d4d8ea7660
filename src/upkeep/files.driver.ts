// Files that must be there after a power cut, and folders that only one program uses at a time.
import { createHash } from 'node:crypto'
import { type FileHandle, mkdir, open } from 'node:fs/promises'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { openPlainFile } from '../blobs/plain-file.driver.js'
import { AppError } from '../errors.js'

/** A backup opens everything: nobody but the user who makes it may read it. */
export const FOLDER_MODE = 0o700
export const FILE_MODE = 0o600
const PIECE_BYTES = 1024 * 1024

export async function makeFolder(folder: string): Promise<void> {
  await mkdir(folder, { recursive: true, mode: FOLDER_MODE })
}

/** A new name is safe only when the folder itself is flushed. */
export async function flush(fileOrFolder: string): Promise<void> {
  const handle = await open(fileOrFolder, 'r')
  try {
    await handle.sync()
  } finally {
    await handle.close()
  }
}

export async function writeFlushed(file: string, text: string): Promise<{ sizeBytes: number; sha256: string }> {
  const bytes = Buffer.from(text)
  const handle = await open(file, 'wx', FILE_MODE)
  try {
    await handle.writeFile(bytes)
    await handle.sync()
  } finally {
    await handle.close()
  }
  return { sizeBytes: bytes.length, sha256: createHash('sha256').update(bytes).digest('hex') }
}

/** A small file as text. @throws where it is larger, or no file */
export async function readBounded(file: string, maxBytes: number): Promise<string> {
  const handle = await openPlainFile(file)
  try {
    const { size } = await handle.stat()
    if (size > maxBytes) throw new Error(`${path.basename(file)} has ${size} bytes, which is no such file`)
    return await handle.readFile('utf8')
  } finally {
    await handle.close()
  }
}

/** Copies into a new file, flushed, and says what was copied. Not a link: a copy shares no fate with its original. */
export async function copyFlushed(given: {
  from: string
  to: string
  mode?: number
}): Promise<{ sizeBytes: number; sha256: string }> {
  const source = await openPlainFile(given.from)
  let target: FileHandle | null = null
  try {
    target = await open(given.to, 'wx', given.mode ?? FILE_MODE)
    const hash = createHash('sha256')
    const buffer = Buffer.allocUnsafe(PIECE_BYTES)
    let sizeBytes = 0
    for (;;) {
      const { bytesRead } = await source.read(buffer, 0, buffer.length, sizeBytes)
      if (bytesRead === 0) break
      const piece = buffer.subarray(0, bytesRead)
      hash.update(piece)
      await writeAll(target, piece)
      sizeBytes += bytesRead
    }
    await target.sync()
    return { sizeBytes, sha256: hash.digest('hex') }
  } finally {
    await source.close()
    await target?.close()
  }
}

async function writeAll(target: FileHandle, piece: Buffer): Promise<void> {
  for (let written = 0; written < piece.length; ) {
    written += (await target.write(piece, written, piece.length - written)).bytesWritten
  }
}

/** Held by an empty database file, as the lock of a data folder is: the system lets go of it with the process. */
export function lockBackupFolder(folder: string): () => void {
  const lock = new BetterSqlite(path.join(folder, 'lock'), { timeout: 0 })
  try {
    lock.exec('begin exclusive')
  } catch (error) {
    lock.close()
    const isHeld = /^SQLITE_(BUSY|LOCKED)/.test(String((error as { code?: string }).code))
    if (isHeld)
      throw new AppError('folder-in-use', `Another backup into ${folder} is running: wait until it has ended.`)
    throw error
  }
  return () => lock.close()
}

const NO_ROOM = ['ENOSPC', 'EDQUOT', 'EFBIG', 'SQLITE_FULL', 'SQLITE_IOERR_WRITE']

/** A full disk in words of its own; anything else as it is. */
export function explainDisk(error: unknown, detail: string): unknown {
  const { code } = error as { code?: string }
  return code !== undefined && NO_ROOM.includes(code)
    ? new AppError('storage-full', detail, {}, { cause: error })
    : error
}
