// Takes digests in another thread. It is started by the first upload that asks and ends with the last one: no upload, no
// thread, and nothing that would have to be stopped.
import { Worker } from 'node:worker_threads'
import { threadUrl } from '../threads/thread-url.js'
import type { DigestAnswer, DigestQuestion } from './digest.thread.js'
import type { FileDigests } from './digests.js'

export interface RemoteDigests {
  /** @param bytes on a SharedArrayBuffer: seen, not copied. They may be overwritten once this has resolved. */
  update(bytes: Uint8Array): Promise<void>
  /** Once, at the end. */
  finish(): Promise<FileDigests>
  /** Instead of finish(), or after it. Whatever is asked after that is refused. */
  drop(): void
}

export interface DigestThread {
  open(options: { sha512: boolean }): RemoteDigests
}

interface Running {
  worker: Worker
  uploads: Set<number>
  waiting: Map<number, { resolve: (answer: DigestAnswer) => void; reject: (error: Error) => void }>
}

export function digestThread(file = threadUrl(import.meta.url, './digest.thread.js')): DigestThread {
  let running: Running | null = null
  let lastUpload = 0
  let lastId = 0

  function start(): Running {
    const started: Running = { worker: new Worker(file), uploads: new Set(), waiting: new Map() }
    const gone = (cause?: unknown) => {
      if (running === started) running = null
      const error = new Error('the thread that takes digests failed', { cause })
      for (const { reject } of started.waiting.values()) reject(error)
      started.waiting.clear()
      started.uploads.clear()
    }
    started.worker.on('message', (answer: DigestAnswer) => {
      started.waiting.get(answer.id)?.resolve(answer)
      started.waiting.delete(answer.id)
    })
    started.worker.on('error', gone)
    started.worker.on('exit', () => gone())
    return started
  }

  return {
    open: ({ sha512 }) => {
      running ??= start()
      const own = running
      lastUpload += 1
      const upload = lastUpload
      own.uploads.add(upload)
      const ask = (step: DigestQuestion['step']) =>
        new Promise<DigestAnswer>((resolve, reject) => {
          if (!own.uploads.has(upload)) return reject(new Error('the thread that takes digests is gone'))
          lastId += 1
          own.waiting.set(lastId, { resolve, reject })
          own.worker.postMessage({ id: lastId, upload, step } satisfies DigestQuestion)
        })
      return {
        update: async (bytes) => void (await ask({ update: bytes, sha512 })),
        finish: async () => {
          const { digests } = await ask('finish')
          if (!digests) throw new Error('digests of nothing')
          // A Buffer arrives as plain bytes.
          return { ...digests, blocks: Buffer.from(digests.blocks) }
        },
        drop: () => {
          if (!own.uploads.has(upload)) return
          ask('drop').catch(() => undefined)
          own.uploads.delete(upload)
          if (own.uploads.size > 0) return
          if (running === own) running = null
          void own.worker.terminate()
        },
      }
    },
  }
}
