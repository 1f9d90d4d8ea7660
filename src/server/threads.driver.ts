// The threads beside the main one, seen from it: how they start, what is asked of them, how they end.
import { once } from 'node:events'
import { type MessagePort, Worker } from 'node:worker_threads'
import type { Effect } from '../db/db.js'
import type { MetricValues } from '../metrics/metric-set.js'
import { type Caller, caller } from '../threads/remote.js'
import { threadUrl } from '../threads/thread-url.js'

/** What the main thread asks of the others. */
export interface Control {
  /** The public thread waits so long for running downloads. */
  stop(graceMs: number): Promise<void>
  probe(): Promise<void>
  metrics(): Promise<MetricValues>
  /** The public thread only. */
  revoke(linkId: string): Promise<void>
  hurry(): Promise<void>
  hold(): Promise<void>
  damaged(linkIds: string[]): Promise<void>
  repaired(sha256: string): Promise<void>
}

/** How long a thread may take to stop, beside what downloads get, before it is ended; what is acknowledged is on disk long before. */
const STOP_MS = 20_000

export interface Thread<Ready> {
  worker: Worker
  calls: Caller
  ready: Ready
  exited: Promise<unknown>
}

/**
 * Starts a thread and waits for its word that it is ready; its failure to start is ours.
 * @param go until when it only loads its code; should that fail, it ends.
 */
export async function startThread<Ready>(
  name: 'writer' | 'public',
  setup: object,
  transfer: MessagePort[],
  go?: Promise<unknown>,
): Promise<Thread<Ready>> {
  const worker = new Worker(threadUrl(import.meta.url, `./${name}.thread.js`), {
    name,
    workerData: setup,
    transferList: transfer,
  })
  const exited = once(worker, 'exit')
  // Waited for below; without a handler its rejection would be unhandled while the start still runs.
  exited.catch(() => undefined)
  go?.then(
    () => worker.postMessage('go'),
    () => worker.terminate(),
  )
  const [message] = await Promise.race([
    once(worker, 'message') as Promise<[{ ready: Ready }]>,
    exited.then(() => Promise.reject(new Error(`The ${name} thread ended at its start.`))),
  ])
  return { worker, ready: message.ready, exited, calls: caller(worker as never) }
}

/** Waits for a thread's word that it has stopped, then makes sure; one that failed or hangs is ended. */
export async function within(word: Promise<void>, worker: Worker, graceMs = 0): Promise<void> {
  let timer: NodeJS.Timeout | undefined
  await Promise.race([
    word.catch(() => undefined),
    new Promise((resolve) => {
      timer = setTimeout(resolve, graceMs + STOP_MS)
    }),
  ])
  clearTimeout(timer)
  await worker.terminate()
}

/** What the byte server has to do at once after a commit; what is asked from then on, the record decides. */
export function tellPublic(control: Control, effect: Effect): Promise<void> | null {
  switch (effect.kind) {
    case 'link-ended':
      return control.revoke(effect.linkId)
    case 'hold-set':
      return control.hold()
    case 'blob-damaged':
      return control.damaged(effect.linkIds)
    case 'blob-repaired':
      return control.repaired(effect.sha256)
    default:
      return null
  }
}
