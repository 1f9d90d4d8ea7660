// Looks at the data folder: what is there, whose it is, how much room there is.
import { accessSync, constants, readdirSync, readFileSync, type Stats, statSync } from 'node:fs'
import { statfs } from 'node:fs/promises'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import type { FolderFacts } from './judge-folder.js'

/** Types of file systems by their number, statfs(2) and linux/magic.h. */
const FILE_SYSTEMS: Record<number, { name: string; isNetwork?: boolean; isVolatile?: boolean }> = {
  61267: { name: 'ext2/3/4' },
  1481003842: { name: 'XFS' },
  2435016766: { name: 'Btrfs' },
  801189825: { name: 'ZFS' },
  4076150800: { name: 'F2FS' },
  2035054128: { name: 'overlay' },
  16914836: { name: 'tmpfs', isVolatile: true },
  2240043254: { name: 'ramfs', isVolatile: true },
  26985: { name: 'NFS', isNetwork: true },
  20859: { name: 'SMB', isNetwork: true },
  4283649346: { name: 'CIFS', isNetwork: true },
  4266872130: { name: 'SMB2', isNetwork: true },
  16914839: { name: '9P', isNetwork: true },
  12805120: { name: 'Ceph', isNetwork: true },
  1397113167: { name: 'AFS', isNetwork: true },
}
const LEFTOVERS_MAX = 10_000

export async function lookAtFolder(
  folder: string,
  known: { largestPackageBytes: number | null; isRunning: boolean },
): Promise<FolderFacts> {
  const stats = statOf(folder)
  const secret = statOf(path.join(folder, 'secret'))
  const database = statOf(path.join(folder, 'firmhand.db'))
  const system = stats && (await statfs(folder).catch(() => null))
  const type = system && process.platform === 'linux' ? FILE_SYSTEMS[Number(system.type)] : undefined
  return {
    path: folder,
    kind: stats ? (stats.isDirectory() ? 'folder' : 'other') : null,
    mode: stats?.mode ?? 0,
    ownerId: stats?.uid ?? 0,
    userId: process.getuid?.() ?? null,
    writable: canWrite(folder),
    secret: secret && {
      mode: secret.mode,
      readable: canRead(path.join(folder, 'secret')),
      valid: readSecret(folder) !== null,
    },
    databaseMode: database?.mode ?? null,
    fileSystem: type ? { name: type.name, isNetwork: !!type.isNetwork, isVolatile: !!type.isVolatile } : null,
    disk: system && {
      freeBytes: system.bavail * system.bsize,
      freeInodes: system.ffree,
      inodes: system.files,
    },
    leftovers: leftoversOf(folder),
    ...known,
  }
}

/** null = there is none, or it cannot be read as one. */
export function readSecret(folder: string): string | null {
  try {
    const text = readFileSync(path.join(folder, 'secret'), 'utf8').trim()
    return /^[0-9a-f]{64}$/.test(text) ? text : null
  } catch {
    return null
  }
}

/**
 * Whether a server holds the folder: nobody can read the lock file while it is held. Reading it holds it for less than a
 * millisecond. null = cannot be told.
 */
export function isLocked(folder: string): boolean | null {
  const file = path.join(folder, 'lock')
  if (!statOf(file)) return false
  try {
    const lock = new BetterSqlite(file, { timeout: 0, readonly: true })
    try {
      lock.pragma('schema_version')
      return false
    } finally {
      lock.close()
    }
  } catch (error) {
    return /^SQLITE_(BUSY|LOCKED)/.test(String((error as { code?: string }).code)) ? true : null
  }
}

function statOf(file: string): Stats | null {
  try {
    return statSync(file)
  } catch {
    return null
  }
}

function canRead(file: string): boolean {
  return mayAccess(file, constants.R_OK)
}

function canWrite(folder: string): boolean {
  return mayAccess(folder, constants.W_OK | constants.X_OK)
}

function mayAccess(entry: string, mode: number): boolean {
  try {
    accessSync(entry, mode)
    return true
  } catch {
    return false
  }
}

/** Uploads under way or broken off, and drafts of the secret. */
function leftoversOf(folder: string): { files: number; bytes: number } {
  const names = [
    ...listOf(path.join(folder, 'incoming')),
    ...listOf(folder).filter((file) => path.basename(file).startsWith('secret.')),
  ].slice(0, LEFTOVERS_MAX)
  return { files: names.length, bytes: names.reduce((sum, file) => sum + (statOf(file)?.size ?? 0), 0) }
}

function listOf(folder: string): string[] {
  try {
    return readdirSync(folder).map((name) => path.join(folder, name))
  } catch {
    return []
  }
}
