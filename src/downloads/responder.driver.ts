// The byte server: takes the sockets of the public listener, answers `/d/` itself and hands everything else on.
// It lives in the public thread, knows no SQL, and never waits for the record before it sends.
import type { Socket } from 'node:net'
import type { Clock } from '../clock.js'
import { openConnection } from './connection.driver.js'
import type { Connection, ConnectionHouse, DownloadMeter, Log } from './connection-house.js'
import type { BlockSource, LedgerSink, LinkSource } from './delivery.js'
import type { KernelTable } from './kernel-table.driver.js'
import { createKernelWatch } from './kernel-watch.driver.js'
import { DOWNLOAD_LIMITS, type DownloadLimits } from './limits.js'
import { createLinkRegistry } from './link-registry.js'
import { createReportQueue } from './report-queue.driver.js'
import { createSocketPlaces } from './socket-places.driver.js'

/** While stopping: how long the last reading of the kernel's table may take. */
const LAST_READING_MS = 1000
/** While downloads may end: how often it is looked, and how often said. */
const DRAIN_LOOK_MS = 50
const DRAIN_LOG_MS = 5000
/** A full house is said once in this time, not once a socket. */
const CROWDED_LOG_MS = 60_000

export interface ResponderDeps {
  links: LinkSource
  blocks: BlockSource
  sink: LedgerSink
  clock: Clock
  kernel: KernelTable
  /** Something in front of us ends the TCP connections: nothing is claimed beyond `sent`. */
  behindProxy: boolean
  newTryId: () => string
  log: Log
  limits?: Partial<DownloadLimits>
  /** Takes over a socket whose request is not for `/d/`, with the bytes read from it. The socket is paused. */
  handOver: (socket: Socket, bytesRead: Buffer) => void
  /** Bytes that were to be sent are not those that were stored; the download was reset. */
  onDamaged?: (sha256: string) => void
  meter?: DownloadMeter
  echo?: ConnectionHouse['echo']
}

const UNCOUNTED: DownloadMeter = { answered() {}, sent() {}, acknowledged() {}, ended() {} }

/** How a stop went: downloads that ran when it began, those of them that ended by themselves, and how long that took. */
export interface DrainResult {
  running: number
  ended: number
  waitedMs: number
}

export interface Responder {
  /** For sockets of `net.createServer({ allowHalfOpen: true, noDelay: true })`. */
  accept(socket: Socket): void
  /** Resets the open connections of a link at once; what is asked from now on, the link source decides. */
  revoke(linkId: string): void
  /** Downloads under way: connections with a response that has not arrived yet. */
  readonly running: number
  readonly connections: number
  /**
   * Takes no further connection and no further request, closes what is idle, and lets the responses under way end, at
   * most until the grace is over or `hurry` is called.
   */
  drain(graceMs: number): Promise<DrainResult>
  hurry(): void
  /** Resets the open connections of all links. */
  hold(): void
  /** Resets those of links whose file turned out to be damaged. */
  cutDamaged(linkIds: readonly string[]): void
  /** Breaks all connections; resolves once the record has taken everything. */
  stop(): Promise<void>
}

export function createResponder(deps: ResponderDeps): Responder {
  const { clock, log, kernel, behindProxy } = deps
  const limits: DownloadLimits = { ...DOWNLOAD_LIMITS, ...deps.limits }
  const connections = new Set<Connection>()
  const watch = createKernelWatch({ kernel })
  const queue = createReportQueue(deps)
  const registry = createLinkRegistry({
    rules: { behindProxy, countReadable: () => kernel.readable },
    unreported: (ledger) => queue.holds(ledger),
  })
  const house: ConnectionHouse = {
    meter: UNCOUNTED,
    echo: () => [],
    ...deps,
    limits,
    registry,
    watch,
    touch: (entry, soon) => queue.touch(entry.ledger, soon),
    keep: (socket) => places.keep(socket),
  }
  let accepted = 0
  let stopping = false
  let hurried = false
  let crowdedUntilMs = 0
  const countRunning = () => [...connections].filter(({ isBusy }) => isBusy).length

  const places = createSocketPlaces({
    placesMax: limits.connectionsMax,
    onFull(held) {
      if (clock() < crowdedUntilMs) return
      crowdedUntilMs = clock() + CROWDED_LOG_MS
      log.warn({ connections: held }, 'too many connections: those that asked for no link are reset')
    },
  })

  return {
    accept(socket) {
      if (socket.destroyed) return
      if (stopping || !places.take(socket)) {
        socket.on('error', () => {}) // Nobody else listens, and an error without a listener would end the process.
        socket.resetAndDestroy()
        return
      }
      accepted += 1
      const connection = openConnection(socket, house, String(accepted))
      connections.add(connection)
      void connection.done.then(() => connections.delete(connection))
    },
    revoke(linkId) {
      registry.noteRevoked(linkId)
      for (const connection of [...(registry.get(linkId)?.connections ?? [])]) connection.kill('revoked')
    },
    hold() {
      registry.noteHold()
      for (const entry of registry.all()) for (const connection of [...entry.connections]) connection.kill('held')
    },
    cutDamaged(linkIds) {
      for (const linkId of linkIds)
        for (const connection of [...(registry.get(linkId)?.connections ?? [])]) connection.kill('damaged')
    },
    get running() {
      return countRunning()
    },
    get connections() {
      return connections.size
    },
    async drain(graceMs) {
      stopping = true
      const startMs = performance.now()
      const elapsedMs = () => performance.now() - startMs
      const running = countRunning()
      for (const connection of connections) connection.finish()
      let left = running
      let saidAtMs = 0
      if (running > 0 && graceMs > 0) log.info({ running, graceMs }, 'stopping: running downloads may end')
      while (left > 0 && !hurried && elapsedMs() < graceMs) {
        await new Promise((resolve) => setTimeout(resolve, Math.min(DRAIN_LOOK_MS, graceMs)))
        left = countRunning()
        if (left === 0 || elapsedMs() - saidAtMs < DRAIN_LOG_MS) continue
        saidAtMs = elapsedMs()
        log.info({ running: left, waitedMs: Math.round(saidAtMs) }, 'stopping: downloads are still running')
      }
      const result = { running, ended: running - left, waitedMs: Math.round(elapsedMs()) }
      if (running > 0) log.info({ ...result, cut: left }, 'stopping: the wait for downloads is over')
      return result
    },
    hurry() {
      hurried = true
    },
    async stop() {
      stopping = true
      await Promise.race([watch.readNow(), new Promise((resolve) => setTimeout(resolve, LAST_READING_MS).unref())])
      watch.stop()
      for (const connection of connections) connection.kill('stopped')
      await Promise.all([...connections].map(({ done }) => done))
      await queue.stop()
    },
  }
}
