// Keeps the counted numbers, and has them counted again when they are old: at most every 15 s, and never for more than a
// twentieth of a core. Whoever asks gets what is there; only the very first one waits, for a moment.
import { Worker } from 'node:worker_threads'
import type { Clock } from '../clock.js'
import { threadUrl } from '../threads/thread-url.js'
import type { Counts } from './counts.store.js'
import type { CountsAnswer } from './counts.thread.js'

const FRESH_MS = 15_000
/** Of a count's length, the pause after it: 19 parts rest to 1 part work. */
const REST_FACTOR = 19
/** What the first scrape waits. Then it goes without, and the next one finds them. */
const FIRST_WAIT_MS = 2000

export interface CountKeeper {
  /** null = not counted yet. */
  newest(): Promise<{ counts: Counts; ageMs: number } | null>
  stop(): Promise<void>
}

export function createCountKeeper(deps: {
  databaseFile: string
  clock: Clock
  log: { warn(fields: object, text: string): void }
}): CountKeeper {
  let worker: Worker | null = null
  let newest: { counts: Counts; atMs: number } | null = null
  let restUntilMs = 0
  let counting: Promise<void> | null = null
  let stopped = false

  /** Started when somebody asks first: a server that nobody scrapes has no such thread. */
  function count(): Promise<void> {
    return new Promise((resolve) => {
      worker ??= new Worker(threadUrl(import.meta.url, './counts.thread.js'), {
        workerData: { databaseFile: deps.databaseFile },
      })
      const asked = worker
      const over = () => {
        asked.removeAllListeners()
        asked.on('error', () => undefined) // What it says while it ends is of no use any more.
        resolve()
      }
      asked.unref()
      asked.once('message', (answer: CountsAnswer) => {
        newest = { counts: answer.counts, atMs: performance.now() }
        restUntilMs = performance.now() + Math.max(FRESH_MS, answer.tookMs * REST_FACTOR)
        over()
      })
      asked.once('error', (error) => deps.log.warn({ err: error }, 'the thread that counts for the metrics failed'))
      asked.once('exit', () => {
        worker = null
        restUntilMs = performance.now() + FRESH_MS
        over()
      })
      asked.postMessage({ nowMs: deps.clock() })
    })
  }

  return {
    async newest() {
      if (!stopped && !counting && performance.now() >= restUntilMs) {
        counting = count().finally(() => {
          counting = null
        })
      }
      if (!newest && counting) {
        let timer: NodeJS.Timeout | undefined
        const limit = new Promise<void>((resolve) => {
          timer = setTimeout(resolve, FIRST_WAIT_MS)
        })
        await Promise.race([counting, limit])
        clearTimeout(timer)
      }
      return newest && { counts: newest.counts, ageMs: performance.now() - newest.atMs }
    },
    async stop() {
      stopped = true
      await worker?.terminate()
    },
  }
}
