// The package store on disk, addressed by content. A file gets its final name only when it is whole and flushed, and
// bytes that do not match the digests taken while storing never leave.
import { createHash } from 'node:crypto'
import { type FileHandle, mkdir, open, readdir, rename, rm } from 'node:fs/promises'
import path from 'node:path'
import type { Readable } from 'node:stream'
import { AppError } from '../errors.js'

import { digestThread } from './digest-thread.driver.js'
import { BLOCK_BYTES } from './digests.js'
import { openPlainFile } from './plain-file.driver.js'
import { diskFault, type ReceivedBytes, receiveFile, ServerFault } from './receive.driver.js'

/** Open files that are kept for the next block, far under the usual limit of 1,024; more only while they are read. */
const HANDLES_MAX = 64
/** Checked blocks kept in memory, 1 MiB each, shared by all connections. */
const BLOCKS_MAX = 128
/** Of SHA-256. */
const DIGEST_BYTES = 32

export interface Received extends ReceivedBytes {
  /** Name of the temporary file; give it to adopt() or discard(). */
  temporary: string
}

export interface DiskStore {
  /** Creates the folders. */
  prepare(): Promise<void>
  /** Writes a stream to a temporary file, flushed to disk. Leaves nothing behind when it fails. */
  receive(source: Readable, temporary: string, options?: { sha512: boolean }): Promise<Received>
  /** Gives a received file its final name. The same bytes again replace equal bytes. */
  adopt(temporary: string, sha256: string): Promise<void>
  discard(temporary: string): Promise<void>
  remove(sha256: string): Promise<void>
  /** Removes temporary files and files that `isKnown` does not know: what a crash left behind. Returns the names. */
  sweep(isKnown: (sha256: string) => boolean): Promise<string[]>
}

/** What went wrong, as the caller may know it: the disk is full, it failed (a fault of ours), or the upload broke off. */
function explain(error: unknown): unknown {
  if (error instanceof AppError) return error
  if (!(error instanceof ServerFault)) {
    const detail = 'The upload broke off; nothing was stored. Upload again.'
    return new AppError('upload-broken', detail, {}, { cause: error })
  }
  const code = (error.cause as NodeJS.ErrnoException | undefined)?.code
  if (!['ENOSPC', 'EDQUOT', 'EFBIG'].includes(code ?? '')) return error
  const detail = 'The disk is full; nothing was stored. Make room and upload again.'
  return new AppError('storage-full', detail, {}, { cause: error.cause })
}

/** A rename is safe only when the folder itself is flushed. */
async function flushFolder(folder: string): Promise<void> {
  const handle = await open(folder, 'r')
  try {
    await handle.sync()
  } finally {
    await handle.close()
  }
}

/** Where the bytes of a package lie in a data folder, or in a backup of one. */
export const fileOf = (dataFolder: string, sha256: string): string =>
  path.join(dataFolder, 'packages', sha256.slice(0, 2), sha256)

export function diskStore(dataFolder: string): DiskStore {
  const incoming = path.join(dataFolder, 'incoming')
  const packages = path.join(dataFolder, 'packages')
  const temporaryFile = (name: string) => path.join(incoming, name)
  const thread = digestThread()

  return {
    prepare: async () => {
      await mkdir(incoming, { recursive: true, mode: 0o750 })
      await mkdir(packages, { recursive: true, mode: 0o750 })
    },
    receive: async (source, temporary, options = { sha512: false }) => {
      const file = temporaryFile(temporary)
      let isOurs = false
      const created = () => {
        isOurs = true
      }
      try {
        return { temporary, ...(await receiveFile(source, file, { thread, created, sha512: options.sha512 })) }
      } catch (error) {
        if (isOurs) await rm(file, { force: true })
        throw explain(error)
      }
    },
    adopt: async (temporary, sha256) => {
      const file = fileOf(dataFolder, sha256)
      try {
        await mkdir(path.dirname(file), { recursive: true, mode: 0o750 })
        await rename(temporaryFile(temporary), file)
        await flushFolder(path.dirname(file))
        await flushFolder(packages)
      } catch (error) {
        throw explain(diskFault(error))
      }
    },
    discard: (temporary) => rm(temporaryFile(temporary), { force: true }),
    remove: (sha256) => rm(fileOf(dataFolder, sha256), { force: true }),
    sweep: async (isKnown) => {
      const removed: string[] = []
      for (const name of await readdir(incoming)) {
        await rm(temporaryFile(name), { force: true, recursive: true })
        removed.push(name)
      }
      // Only what this store itself can have left: lost+found and what people put there is none of its business.
      for (const folder of await readdir(packages, { withFileTypes: true })) {
        if (!folder.isDirectory() || !/^[0-9a-f]{2}$/.test(folder.name)) continue
        for (const file of await readdir(path.join(packages, folder.name), { withFileTypes: true })) {
          if (!file.isFile() || !/^[0-9a-f]{64}$/.test(file.name) || isKnown(file.name)) continue
          await rm(path.join(packages, folder.name, file.name), { force: true })
          removed.push(file.name)
        }
      }
      return removed
    },
  }
}

/** Bytes on disk that are not those that were stored. */
export class DamagedBlobError extends Error {
  constructor(sha256: string, index: number, options?: { cause?: unknown }) {
    super(`package ${sha256}: block ${index} is damaged or missing on disk`, options)
    this.name = 'DamagedBlobError'
  }
}

interface OpenFile {
  handle: Promise<FileHandle>
  /** Reads under way. */
  users: number
  /** Whether it stays open for the next read. */
  kept: boolean
}

export interface BlockReader {
  /** Block `index` of 1 MiB, the last one shorter, checked. @throws DamagedBlobError */
  read(sha256: string, index: number): Promise<Buffer>
  /** Another file lies under this name now: what is open is the old one. */
  forget(sha256: string): void
  close(): Promise<void>
}

/**
 * Reads blocks for serving: each is checked against its SHA-256 when it comes from disk, then shared by all who ask.
 * @param digestsOf size and block digests of a stored file, null where there is none.
 */
export function blockReader(
  dataFolder: string,
  digestsOf: (sha256: string) => Promise<{ sizeBytes: number; blocks: Buffer } | null>,
): BlockReader {
  const files = new Map<string, OpenFile>()
  const cache = new Map<string, Promise<Buffer>>()
  const known = new Map<string, { sizeBytes: number; blocks: Buffer }>()

  /** The open file of a package; the ones used longest ago are let go. */
  function fileFor(sha256: string): OpenFile {
    const file = files.get(sha256) ?? { handle: openPlainFile(fileOf(dataFolder, sha256)), users: 0, kept: true }
    files.delete(sha256)
    files.set(sha256, file)
    if (files.size > HANDLES_MAX) letGo(files.keys().next().value!)
    return file
  }

  function letGo(sha256: string): void {
    const file = files.get(sha256)
    if (!file) return
    files.delete(sha256)
    file.kept = false
    closeUnused(file)
  }

  /** A file that somebody reads is closed by the last of them: closed before, the read would fail. */
  function closeUnused(file: OpenFile): void {
    if (file.kept || file.users > 0) return
    void file.handle.then((handle) => handle.close()).catch(() => undefined)
  }

  async function fill(sha256: string, buffer: Buffer, offset: number): Promise<void> {
    const file = fileFor(sha256)
    file.users += 1
    try {
      const handle = await file.handle
      for (let filled = 0; filled < buffer.length; ) {
        const { bytesRead } = await handle.read(buffer, filled, buffer.length - filled, offset + filled)
        if (bytesRead === 0) throw new Error('the file is shorter than it was')
        filled += bytesRead
      }
    } finally {
      file.users -= 1
      closeUnused(file)
    }
  }

  async function load(sha256: string, index: number): Promise<Buffer> {
    const blob = known.get(sha256) ?? (await digestsOf(sha256))
    if (!blob) throw new DamagedBlobError(sha256, index)
    known.set(sha256, blob)
    const offset = index * BLOCK_BYTES
    const length = Math.min(BLOCK_BYTES, blob.sizeBytes - offset)
    if (length <= 0) throw new RangeError(`block ${index} lies beyond the end of ${sha256}`)
    const buffer = Buffer.allocUnsafeSlow(length)
    try {
      await fill(sha256, buffer, offset)
      const digest = createHash('sha256').update(buffer).digest()
      const wanted = blob.blocks.subarray(index * DIGEST_BYTES, (index + 1) * DIGEST_BYTES)
      if (!digest.equals(wanted)) throw new Error('the bytes are not those that were stored')
    } catch (error) {
      // The file may be put back from a copy, under the same name: the next try opens what lies there then.
      letGo(sha256)
      throw new DamagedBlobError(sha256, index, { cause: error })
    }
    return buffer
  }

  return {
    read: (sha256, index) => {
      const name = `${sha256}/${index}`
      const block = cache.get(name) ?? load(sha256, index)
      cache.delete(name)
      cache.set(name, block)
      // A failure is not kept: the disk may have been repaired.
      block.catch(() => {
        if (cache.get(name) === block) cache.delete(name)
      })
      if (cache.size > BLOCKS_MAX) cache.delete(cache.keys().next().value!)
      return block
    },
    forget: letGo,
    close: async () => {
      for (const file of files.values()) await file.handle.then((handle) => handle.close()).catch(() => undefined)
      files.clear()
      cache.clear()
    },
  }
}
