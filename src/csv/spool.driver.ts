// A table on its way in: kept in a file of the data folder until it is judged, so that a list of any length needs no memory.
// The folder is swept at every start.
import { createHash } from 'node:crypto'
import { createWriteStream } from 'node:fs'
import { rm } from 'node:fs/promises'
import type { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import { AppError } from '../errors.js'

const FULL = ['ENOSPC', 'EDQUOT', 'EFBIG']

export const isFullDisk = (error: unknown): boolean => {
  const { code = '' } = error as NodeJS.ErrnoException
  return FULL.includes(code) || /^SQLITE_(FULL|IOERR)/.test(code)
}

export const diskFull = (cause: unknown): AppError =>
  new AppError(
    'storage-full',
    'The disk is full; nothing was stored. Make room and send the list again.',
    {},
    { cause },
  )

/** Writes the stream to the file; returns the SHA-256 of its bytes. Leaves nothing behind when it fails. */
export async function spool(source: Readable, file: string, maxBytes: number): Promise<string> {
  const hash = createHash('sha256')
  const target = createWriteStream(file, { flags: 'wx', mode: 0o640 })
  let sizeBytes = 0
  try {
    await pipeline(
      source,
      async function* (pieces: AsyncIterable<Buffer>) {
        for await (const piece of pieces) {
          sizeBytes += piece.length
          if (sizeBytes > maxBytes) {
            const detail = `A list may have ${maxBytes} bytes: send it in several files.`
            throw new AppError('body-too-large', detail)
          }
          hash.update(piece)
          yield piece
        }
      },
      target,
    )
    return hash.digest('hex')
  } catch (error) {
    target.destroy()
    if (!target.closed) await new Promise<void>((resolve) => target.once('close', () => resolve()))
    await rm(file, { force: true })
    if (error instanceof AppError) throw error
    if (isFullDisk(error)) throw diskFull(error)
    if (target.errored && target.errored === error && (error as NodeJS.ErrnoException).syscall) throw error
    throw new AppError(
      'upload-broken',
      'The list broke off on its way; nothing was stored. Send it again.',
      {},
      {
        cause: error,
      },
    )
  }
}
