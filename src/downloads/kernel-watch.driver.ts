// Decides when the kernel's table is read, and for whom: proof a of the ledger. Reading costs time in proportion to the
// machine's connections, so readings keep to a share of one core, and there are none while nothing is under way.

import type { KernelTable } from './kernel-table.driver.js'
import type { KernelAsk } from './kernel-table.js'

const ROUTINE_MS = 1000
/** After a response ended: soon enough to close a fast connection at once, then again for slower round trips. */
const SOON_MS: readonly number[] = [20, 100, 300]
/** Of a reading's length, the pause after it: 19 parts rest to 1 part reading is 5 % of a core. */
const REST_FACTOR = 19

export interface WatchedConnection {
  /** null = nothing of it is under way, or its socket is gone. `acceptedBytes` is noted before the reading begins. */
  snapshot(): { ask: KernelAsk; acceptedBytes: number } | null
  /** What the far end has not acknowledged of the stream as it stood then; null = no row, no claim. */
  apply(reading: { txQueueBytes: number | null; acceptedBytes: number }): void
}

export interface KernelWatch {
  readonly readable: boolean
  add(connection: WatchedConnection): void
  remove(connection: WatchedConnection): void
  /** A response ended or broke: the next reading comes early. */
  soon(): void
  /** One reading now, whatever the pause: before everything stops. */
  readNow(): Promise<void>
  stop(): void
}

export function createKernelWatch({ kernel }: { kernel: KernelTable }): KernelWatch {
  const connections = new Set<WatchedConnection>()
  let timer: NodeJS.Timeout | null = null
  let dueMs = Infinity
  let restUntilMs = 0
  let early = SOON_MS.length // Index into SOON_MS: how many early readings are behind us.
  let reading: Promise<void> | null = null
  let stopped = false

  function schedule(delayMs: number): void {
    if (stopped || reading || !kernel.readable || connections.size === 0) return
    const nowMs = performance.now()
    const wantedMs = Math.max(nowMs + delayMs, restUntilMs)
    if (timer && dueMs <= wantedMs) return
    if (timer) clearTimeout(timer)
    dueMs = wantedMs
    timer = setTimeout(() => {
      timer = null
      void readOnce()
    }, wantedMs - nowMs)
    timer.unref()
  }

  function scheduleNext(): void {
    schedule(SOON_MS[early] ?? ROUTINE_MS)
  }

  async function read(): Promise<void> {
    const asked = [...connections].flatMap((connection) => {
      const snapshot = connection.snapshot()
      return snapshot ? [{ connection, ...snapshot }] : []
    })
    if (asked.length === 0) return
    const result = await kernel.read(asked.map(({ ask }) => ask))
    restUntilMs = performance.now() + (result?.tookMs ?? 0) * REST_FACTOR
    for (const [place, { connection, acceptedBytes }] of asked.entries()) {
      connection.apply({ txQueueBytes: result?.queues[place] ?? null, acceptedBytes })
    }
  }

  async function readOnce(): Promise<void> {
    if (reading) return reading
    early += 1
    reading = read()
    await reading
    reading = null
    scheduleNext()
  }

  return {
    get readable() {
      return kernel.readable
    },
    add(connection) {
      connections.add(connection)
      schedule(ROUTINE_MS)
    },
    remove: (connection) => {
      connections.delete(connection)
    },
    soon() {
      early = 0
      scheduleNext()
    },
    async readNow() {
      await reading
      await readOnce()
    },
    stop() {
      stopped = true
      if (timer) clearTimeout(timer)
    },
  }
}
