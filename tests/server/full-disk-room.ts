// A disk that takes no more data, in two forms: a small file system of its own where this user may mount one, and the
// system's limit of a file's size (setrlimit(2), RLIMIT_FSIZE), which needs no right and fails writes just like that.
import { execFileSync } from 'node:child_process'
import { appendFileSync, mkdtempSync, rmSync, statfsSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'

export interface SmallDisk {
  name: string
  /** A folder on it. */
  folder: string
  /** Takes all room but so many bytes. @param pid the process that shall feel it */
  fill(pid: number | undefined, leftBytes?: number): void
  /** Gives the room back. */
  clear(pid: number | undefined): void
  /** Goes before a command that shall start on a full disk. */
  startedFull: string[]
  remove(): void
}

const BLOCK_BYTES = 4096
/** Enough for the database, its log, and some packages. */
const SIZE_BYTES = 24 * 1024 * 1024

/** null: no right to mount here. */
export function smallFileSystem(): SmallDisk | null {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-disk-'))
  const filler = path.join(folder, 'filler')
  try {
    execFileSync('mount', ['-t', 'tmpfs', '-o', `size=${SIZE_BYTES}`, 'tmpfs', folder], { stdio: 'ignore' })
  } catch {
    rmSync(folder, { recursive: true })
    return null
  }
  const freeBytes = () => {
    const { bavail, bsize } = statfsSync(folder)
    return bavail * bsize
  }
  return {
    name: 'a small file system',
    folder,
    startedFull: [],
    fill: (_pid, leftBytes = 0) => {
      rmSync(filler, { force: true })
      writeFileSync(filler, '')
      const block = Buffer.alloc(64 * 1024)
      while (freeBytes() > leftBytes) {
        appendFileSync(filler, block.subarray(0, Math.min(block.length, freeBytes() - leftBytes)))
      }
    },
    clear: () => rmSync(filler, { force: true }),
    remove: () => {
      execFileSync('umount', [folder])
      rmSync(folder, { recursive: true })
    },
  }
}

export function limitedFiles(): SmallDisk {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-disk-'))
  const limit = (pid: number | undefined, soft: number | 'unlimited') => {
    if (pid !== undefined) execFileSync('prlimit', ['--pid', String(pid), `--fsize=${soft}:unlimited`])
  }
  return {
    name: 'a limit of file sizes',
    folder,
    startedFull: ['prlimit', `--fsize=${BLOCK_BYTES}:unlimited`],
    fill: (pid, leftBytes = 0) => limit(pid, Math.max(leftBytes, BLOCK_BYTES)),
    clear: (pid) => limit(pid, 'unlimited'),
    remove: () => rmSync(folder, { recursive: true }),
  }
}
