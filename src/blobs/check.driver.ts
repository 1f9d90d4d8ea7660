// Looks at stored files as a whole, at a bounded pace, away from the thread that serves them.
import { createHash } from 'node:crypto'
import { setTimeout } from 'node:timers/promises'
import { NOT_A_FILE, openPlainFile } from './plain-file.driver.js'

/** Read in one go: large enough for the disk, and hashed in under a millisecond, so that nothing else waits for it. */
const PIECE_BYTES = 512 * 1024

/** What is wrong with a file under the name of its SHA-256. */
export type BlobFault = 'missing' | 'changed' | 'unreadable'

export interface Pace {
  bytesPerSecond: number
  /** Between two pieces it is asked whether to go on. */
  stopped: () => boolean
}

/** null = stopped on the way. @throws what the system says of the file */
export async function hashFile(file: string, pace?: Pace): Promise<{ sha256: string; sizeBytes: number } | null> {
  const handle = await openPlainFile(file)
  const hash = createHash('sha256')
  let sizeBytes = 0
  const startMs = performance.now()
  try {
    for (const buffer = Buffer.allocUnsafe(PIECE_BYTES); ; ) {
      if (pace?.stopped()) return null
      const { bytesRead } = await handle.read(buffer, 0, buffer.length, sizeBytes)
      if (bytesRead === 0) return { sha256: hash.digest('hex'), sizeBytes }
      hash.update(buffer.subarray(0, bytesRead))
      sizeBytes += bytesRead
      const dueMs = pace ? (sizeBytes / pace.bytesPerSecond) * 1000 - (performance.now() - startMs) : 0
      if (dueMs > 0) await setTimeout(dueMs)
    }
  } finally {
    await handle.close()
  }
}

/**
 * Whether the file still is what its name says; `stopped` where the pace ended it.
 * @throws what is no word about the file, such as too many open files
 */
export async function checkBlob(
  file: string,
  wanted: { sha256: string; sizeBytes: number },
  pace?: Pace,
): Promise<BlobFault | 'whole' | 'stopped'> {
  try {
    const found = await hashFile(file, pace)
    if (!found) return 'stopped'
    return found.sha256 === wanted.sha256 && found.sizeBytes === wanted.sizeBytes ? 'whole' : 'changed'
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException
    if (code === 'ENOENT' || code === 'ENOTDIR') return 'missing'
    // What the server may not or cannot read it cannot serve either; whoever sets that right has it checked again.
    if (['EIO', 'EISDIR', 'EACCES', 'EPERM', 'ELOOP', 'ENXIO', NOT_A_FILE].includes(code ?? '')) return 'unreadable'
    throw error
  }
}
