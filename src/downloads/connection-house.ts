// What the connections of one byte server share, and what their server sees of each. Types only.
import type { Socket } from 'node:net'
import type { Clock } from '../clock.js'
import type { BlockSource, LinkSource, TryEnd } from './delivery.js'
import type { KernelWatch } from './kernel-watch.driver.js'
import type { DownloadLimits } from './limits.js'
import type { LinkConnection, LinkEntry, LinkRegistry } from './link-registry.js'

export interface Log {
  info(fields: object, text: string): void
  warn(fields: object, text: string): void
}

/** What the connections of one server share. */
export interface ConnectionHouse {
  links: LinkSource
  blocks: BlockSource
  registry: LinkRegistry
  watch: KernelWatch
  clock: Clock
  behindProxy: boolean
  limits: DownloadLimits
  log: Log
  newTryId: () => string
  touch: (entry: LinkEntry, soon: boolean) => void
  /** The socket has named a link: it keeps its place where sockets are too many. */
  keep: (socket: Socket) => void
  handOver: (socket: Socket, bytesRead: Buffer) => void
  /** Bytes that were to be sent are not those that were stored. */
  onDamaged?: (sha256: string) => void
  meter: DownloadMeter
  /** Header fields for an address that names no link: the doctor's own question is answered by them. */
  echo: (target: string, socket: Socket) => [name: string, value: string][]
}

/** Counts what the byte server did since its start. Called for each piece: it only adds. */
export interface DownloadMeter {
  answered(status: number): void
  sent(bytes: number): void
  acknowledged(bytes: number): void
  /** A response with a body is over. */
  ended(how: TryEnd): void
}

export interface Connection extends LinkConnection {
  /** Resolves when the connection is over, or in other hands. */
  done: Promise<void>
  /** Whether a response with a body is under way: not sent to its end, or not known to have arrived. */
  readonly isBusy: boolean
  /** Takes no further request: ends at once where nothing is under way, else behind the response under way. */
  finish(): void
}
