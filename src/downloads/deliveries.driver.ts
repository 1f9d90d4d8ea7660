// The responses under way on one connection, from their first byte to the far end's acknowledgement: what the kernel
// counts of the stream becomes what the ledgers know of files.
import type { Socket } from 'node:net'
import type { Clock } from '../clock.js'
import type { DownloadMeter } from './connection-house.js'
import type { TryEnd } from './delivery.js'
import { kernelAskOf } from './kernel-table.driver.js'
import type { KernelAsk } from './kernel-table.js'
import type { KernelWatch, WatchedConnection } from './kernel-watch.driver.js'
import type { LinkEntry } from './link-registry.js'
import type { Span } from './span.js'
import { createStreamMap } from './stream-map.js'

/** Readings without a row of a connection that lives: after these its close is not held back any longer. */
const ROWS_MISSED_MAX = 3

interface Delivery {
  entry: LinkEntry
  /** Body bytes not handed over, and not acknowledged, yet. */
  unsentBytes: number
  unacknowledgedBytes: number
}

export interface Deliveries {
  /** When bytes were handed over or acknowledged last. */
  readonly lastProgressAtMs: number
  /** Whether a response is under way: not sent to its end, or not known to have arrived. */
  readonly isBusy: boolean
  begin(tryId: string, entry: LinkEntry, sizeBytes: number): void
  /** Bytes that no ledger counts: heads and empty answers. */
  wroteHead(length: number): void
  wroteBody(tryId: string, span: Span): void
  /** A further request came: rule c for what came before, and where nothing can be counted that is all there will be. */
  followedUp(arrivedAtMs: number): void
  /** Resolves when the far end has everything, the connection is gone, or it cannot be known. */
  settled(): Promise<void>
  /** The connection is over: what is not complete ended so. */
  finish(how: TryEnd): void
}

export function createDeliveries(deps: {
  socket: Socket
  watch: KernelWatch
  behindProxy: boolean
  clock: Clock
  touch: (entry: LinkEntry, soon: boolean) => void
  meter: DownloadMeter
}): Deliveries {
  const { socket, watch, clock, touch, meter } = deps
  const map = createStreamMap()
  const open = new Map<string, Delivery>()
  let ask: KernelAsk | null = null
  let rowsMissed = 0
  let lastProgressAtMs = clock()
  let wake: (() => void) | null = null

  const counts = (): boolean => watch.readable && !deps.behindProxy && rowsMissed < ROWS_MISSED_MAX
  const isSettled = (): boolean => socket.destroyed || !map.awaitsBody || !counts()

  const watched: WatchedConnection = {
    snapshot() {
      if (socket.destroyed || !map.awaitsBody) return null
      ask ??= kernelAskOf(socket)
      return ask && { ask, acceptedBytes: map.length }
    },
    apply({ txQueueBytes, acceptedBytes }) {
      // The socket has to be the same open one before and after the reading, or the row may be another's.
      if (socket.destroyed) return
      rowsMissed = txQueueBytes === null ? rowsMissed + 1 : 0
      if (txQueueBytes !== null) acknowledge(acceptedBytes - txQueueBytes)
      if (isSettled()) wake?.()
    },
  }

  function acknowledge(offset: number): void {
    for (const { tryId, span } of map.acknowledgeTo(offset)) {
      const delivery = open.get(tryId)
      if (!delivery) continue
      lastProgressAtMs = clock()
      delivery.entry.ledger.acknowledged(tryId, span, lastProgressAtMs)
      delivery.unacknowledgedBytes -= span[1] - span[0] + 1
      meter.acknowledged(span[1] - span[0] + 1)
      if (delivery.unacknowledgedBytes === 0) close(tryId, 'complete')
      else touch(delivery.entry, false)
    }
  }

  function close(tryId: string, how: TryEnd): void {
    const delivery = open.get(tryId)
    if (!delivery) return
    open.delete(tryId)
    delivery.entry.ledger.end(tryId, how, clock())
    meter.ended(how)
    touch(delivery.entry, true)
  }

  return {
    get lastProgressAtMs() {
      return lastProgressAtMs
    },
    get isBusy() {
      return open.size > 0
    },
    begin(tryId, entry, sizeBytes) {
      open.set(tryId, { entry, unsentBytes: sizeBytes, unacknowledgedBytes: sizeBytes })
      watch.add(watched)
    },
    wroteHead: (length) => map.addHead(length),
    wroteBody(tryId, span) {
      const delivery = open.get(tryId)
      if (!delivery) return
      map.addBody(tryId, span)
      delivery.unsentBytes -= span[1] - span[0] + 1
      meter.sent(span[1] - span[0] + 1)
      lastProgressAtMs = clock()
      delivery.entry.ledger.sent(tryId, span, lastProgressAtMs)
      const whole = delivery.unsentBytes === 0
      touch(delivery.entry, whole && !counts())
      if (whole) watch.soon()
    },
    followedUp(arrivedAtMs) {
      for (const [tryId, { entry, unsentBytes }] of open) {
        if (unsentBytes > 0) continue
        entry.ledger.followedUp(tryId, arrivedAtMs)
        if (!counts()) close(tryId, 'complete')
      }
    },
    async settled() {
      if (isSettled()) return
      socket.once('close', () => wake?.())
      watch.soon()
      await new Promise<void>((resolve) => {
        wake = resolve
      })
      wake = null
    },
    finish(how) {
      watch.remove(watched)
      for (const [tryId, { unsentBytes }] of open) {
        // Handed over whole and closed in good order, where nothing could be counted: complete, without a claim.
        close(tryId, how === 'complete' && unsentBytes > 0 ? 'fin' : how)
      }
    },
  }
}
