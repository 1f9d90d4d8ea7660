// Bytes that come in, on their way to a file: gathered into pieces that are written and digested at the same time, while
// the next ones arrive. This thread only copies: it answers the office meanwhile.
import { type FileHandle, open } from 'node:fs/promises'
import type { Readable } from 'node:stream'
import type { DigestThread, RemoteDigests } from './digest-thread.driver.js'
import { type FileDigests, StreamDigests } from './digests.js'

/** A call to the system and a message to the thread for each; larger ones (512 KiB) fall out of the cache, and took longer. */
const PIECE_BYTES = 256 * 1024
/** Of one upload, 2 MiB: enough that neither side waits for a busy moment of the other. Beyond it the source waits. */
const PIECES_MAX = 8
/**
 * After so many bytes the disk is told to begin, in the background: what the last flush has to wait for stays short, and a
 * large file does not push everything else out of the memory for files.
 */
const FLUSH_BYTES = 64 * 1024 * 1024
/** For looking at what kind of file it is. */
const BEGINNING_BYTES = 512

export interface ReceivedBytes {
  digests: FileDigests
  /** The first bytes. */
  beginning: Buffer
}

/** Of this server, told apart from what the source threw: a broken disk is no broken upload. */
export class ServerFault extends Error {}

export const diskFault = (cause: unknown) => new ServerFault('the disk failed', { cause })
const threadFault = (cause: unknown) => new ServerFault('the digests failed', { cause })

/**
 * One flush in the background at a time, of all uploads: each holds one of the four threads of the process that read files,
 * and downloads need those.
 */
let isFlushing = false

/**
 * Creates the file and writes the source to it, flushed to disk.
 * @param options.created called when the file is this one's: only then may it be removed after a failure.
 * @throws ServerFault where the disk or the thread failed; else what the source threw
 */
export async function receiveFile(
  source: Readable,
  file: string,
  options: { thread: DigestThread; sha512: boolean; created: () => void },
): Promise<ReceivedBytes> {
  // Whoever reads it learns of it; before that, while the file is opened, nobody does, and it would end the process.
  source.on('error', () => undefined)
  let handle: FileHandle
  try {
    handle = await open(file, 'wx', 0o640)
  } catch (error) {
    source.destroy()
    throw diskFault(error)
  }
  options.created()
  const sink = pieceSink(handle, { ...options, failed: () => source.destroy() })
  try {
    for await (const chunk of source as AsyncIterable<Buffer>) await sink.take(chunk)
    return await sink.finish()
  } catch (error) {
    // Where this server failed, that is the reason, and the source only ended because of it.
    throw sink.fault ?? error
  } finally {
    await sink.close()
  }
}

function pieceSink(handle: FileHandle, options: { thread: DigestThread; sha512: boolean; failed: () => void }) {
  const free: Buffer[] = []
  let made = 0
  let filling: Buffer | null = null
  let filled = 0
  let sizeBytes = 0
  let beginning = Buffer.alloc(0)
  let remote: RemoteDigests | null = null
  let fault: ServerFault | null = null
  let wake: (() => void) | null = null
  /** All writes so far; the next one follows on it. */
  let written: Promise<void> = Promise.resolve()
  let flushed: Promise<void> = Promise.resolve()
  let unflushedBytes = 0

  const fail = (error: ServerFault) => {
    fault ??= error
    options.failed()
    wake?.()
  }

  /** A piece that nobody uses any more, or a new one while there may be more. */
  async function freePiece(): Promise<Buffer> {
    for (;;) {
      if (fault) throw fault
      const piece = free.pop()
      if (piece) return piece
      if (made < PIECES_MAX) {
        made += 1
        return Buffer.from(new SharedArrayBuffer(PIECE_BYTES))
      }
      await new Promise<void>((resolve) => {
        wake = resolve
      })
      wake = null
    }
  }

  async function write(bytes: Buffer, position: number): Promise<void> {
    for (let done = 0; done < bytes.length; ) {
      const { bytesWritten } = await handle.write(bytes, done, bytes.length - done, position + done)
      done += bytesWritten
    }
    unflushedBytes += bytes.length
    if (unflushedBytes < FLUSH_BYTES || isFlushing) return
    unflushedBytes = 0
    isFlushing = true
    // The system tells of a flush that failed only once: this one has to be heard.
    flushed = handle
      .datasync()
      .catch((error: unknown) => fail(diskFault(error)))
      .finally(() => {
        isFlushing = false
      })
  }

  function pass(piece: Buffer, length: number): void {
    const bytes = piece.subarray(0, length)
    const position = sizeBytes
    sizeBytes += length
    remote ??= options.thread.open(options)
    const digested = remote.update(bytes).catch((error: unknown) => fail(threadFault(error)))
    written = written.then(async () => {
      if (!fault) await write(bytes, position).catch((error: unknown) => fail(diskFault(error)))
    })
    void Promise.all([digested, written]).then(() => {
      free.push(piece)
      wake?.()
    })
  }

  /** A file of one piece is digested here: a thread takes longer to start. */
  function finishSmall(bytes: Buffer): FileDigests {
    const digests = new StreamDigests(options)
    digests.update(bytes)
    written = write(bytes, 0).catch((error: unknown) => fail(diskFault(error)))
    return digests.finish()
  }

  return {
    get fault() {
      return fault
    },
    take: async (chunk: Buffer): Promise<void> => {
      if (beginning.length < BEGINNING_BYTES) beginning = Buffer.concat([beginning, chunk]).subarray(0, BEGINNING_BYTES)
      for (let from = 0; from < chunk.length; ) {
        if (filling && filled === PIECE_BYTES) {
          pass(filling, filled)
          filling = null
        }
        if (!filling) {
          filling = await freePiece()
          filled = 0
        }
        const length = chunk.copy(filling, filled, from)
        filled += length
        from += length
      }
    },
    finish: async (): Promise<ReceivedBytes> => {
      let digests: FileDigests | null = null
      if (!remote) digests = finishSmall(filling?.subarray(0, filled) ?? Buffer.alloc(0))
      else {
        if (filling) pass(filling, filled)
        digests = await remote.finish().catch((error: unknown) => {
          throw threadFault(error)
        })
      }
      await written
      await flushed
      if (fault) throw fault
      await handle.sync().catch((error: unknown) => {
        throw diskFault(error)
      })
      return { digests, beginning }
    },
    /** Waits for what still uses the file: only then can it be removed for good. */
    close: async (): Promise<void> => {
      remote?.drop()
      await written
      await flushed
      await handle.close()
    },
  }
}
