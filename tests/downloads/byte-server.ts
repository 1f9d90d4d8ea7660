// The true byte server on a real socket with the real kernel table; only its ports (links, blocks, record) are held in
// memory. The record takes unions, as the stored one does.
import { createHash } from 'node:crypto'
import http from 'node:http'
import net, { type AddressInfo } from 'node:net'
import { BLOCK_BYTES } from '../../src/blobs/digests.js'
import type { BlockSource, LedgerReport, LinkSource, LinkTarget, TryRecord } from '../../src/downloads/delivery.js'
import { type KernelTable, startKernelTable } from '../../src/downloads/kernel-table.driver.js'
import type { DownloadLimits } from '../../src/downloads/limits.js'
import { createResponder, type Responder } from '../../src/downloads/responder.driver.js'
import { type Span, union } from '../../src/downloads/span.js'
import { newId } from '../../src/ids.js'
import { lendToHttp } from '../../src/server/http-borrow.driver.js'

export interface Stored {
  sha256: string
  sizeBytes: number
  block(index: number): Buffer
}

/** Byte n of every pattern file: neither its position mod 256 nor its block alone tells it, so that mix-ups show. */
export const patternByte = (position: number, salt = 0): number =>
  (position * 31 + Math.floor(position / 251) * 17 + Math.floor(position / 65_521) * 101 + salt) % 256

export function patternBytes(first: number, last: number, salt = 0): Buffer {
  const bytes = Buffer.allocUnsafe(last - first + 1)
  for (let i = 0; i < bytes.length; i += 1) bytes[i] = patternByte(first + i, salt)
  return bytes
}

/** A file that is made while it is read: it may have 5 GiB. Its digest is that of its name only. */
export function patternFile(sizeBytes: number, salt = 0): Stored {
  const sha256 = createHash('sha256').update(`${sizeBytes} ${salt}`).digest('hex')
  const block = (index: number): Buffer =>
    patternBytes(index * BLOCK_BYTES, Math.min((index + 1) * BLOCK_BYTES, sizeBytes) - 1, salt)
  return { sha256, sizeBytes, block }
}

export function fileOf(bytes: Buffer): Stored {
  const sha256 = createHash('sha256').update(bytes).digest('hex')
  const block = (index: number): Buffer => bytes.subarray(index * BLOCK_BYTES, (index + 1) * BLOCK_BYTES)
  return { sha256, sizeBytes: bytes.length, block }
}

/** What the record holds of one link. */
export interface Recorded {
  sent: Span[]
  acknowledged: Span[]
  inferred: Span[]
  sentBytes: number
  duplicateBytes: number
  budgetSpent: boolean
  firstAskedAtMs: number | null
  tries: Map<string, TryRecord>
  flags: Set<string>
}

export interface ByteServer {
  port: number
  responder: Responder
  kernel: KernelTable
  addLink(token: string, file: Stored, more?: Partial<LinkTarget>): LinkTarget
  recorded(token: string): Recorded
  /** Waits until the record says so; the test's time-out is the bound. */
  until(token: string, ready: (recorded: Recorded) => boolean): Promise<Recorded>
  lastTry(token: string): TryRecord | undefined
  reports: LedgerReport[]
  warnings: string[]
  /** Set to make the record refuse. */
  refuse: boolean
  stop(): Promise<void>
}

export const TOKEN = 'abcdefghjkmnpqrs'
export const FILE_NAME = 'CAM-1.bin'
export const STORED_AT_MS = Date.parse('Wed, 01 May 2024 10:00:00 GMT')
export const pathOf = (token = TOKEN, name = FILE_NAME): string => `/d/${token}/${name}`

export async function startByteServer(
  options: {
    host?: string
    behindProxy?: boolean
    kernel?: KernelTable
    limits?: Partial<DownloadLimits>
    blocks?: (read: BlockSource['read']) => BlockSource['read']
    links?: (find: LinkSource['find']) => LinkSource['find']
  } = {},
): Promise<ByteServer> {
  const targets = new Map<string, LinkTarget>()
  const files = new Map<string, Stored>()
  const records = new Map<string, Recorded>()
  const reports: LedgerReport[] = []
  const warnings: string[] = []
  const read: BlockSource['read'] = async (sha256, index) => files.get(sha256)!.block(index)
  const find: LinkSource['find'] = async (token) => {
    const target = targets.get(token)
    if (!target) return null
    const { sent, acknowledged, inferred, sentBytes } = recorded(token)
    return { ...target, ledger: { sent, acknowledged, inferred, sentBytes } }
  }
  const kernel = options.kernel ?? startKernelTable({ log: { warn: (_fields, text) => warnings.push(text) } })
  const others = http.createServer((request, response) => response.end(`other ${request.method} ${request.url}`))

  const responder = createResponder({
    links: { find: options.links ? options.links(find) : find },
    blocks: { read: options.blocks ? options.blocks(read) : read },
    sink: {
      async record(batch) {
        if (server.refuse) throw new Error('the record refuses')
        reports.push(...batch)
        for (const report of batch) take(report)
      },
    },
    clock: Date.now,
    kernel,
    behindProxy: options.behindProxy ?? false,
    newTryId: () => newId('try', Date.now()),
    log: { info: () => {}, warn: (_fields, text) => warnings.push(text) },
    ...(options.limits ? { limits: options.limits } : {}),
    handOver: lendToHttp(others, (socket) => responder.accept(socket)),
  })

  function recorded(token: string): Recorded {
    const held = records.get(token) ?? emptyRecord()
    records.set(token, held)
    return held
  }

  /** As the stored record does: unions, sums, the newest state of each try. The link's id is its token here. */
  function take(report: LedgerReport): void {
    const held = recorded(report.linkId)
    held.sent = union(held.sent, report.sent)
    held.acknowledged = union(held.acknowledged, report.acknowledged)
    held.inferred = union(held.inferred, report.inferred)
    held.sentBytes += report.sentBytes
    held.duplicateBytes += report.duplicateBytes
    held.budgetSpent ||= report.budgetSpent
    held.firstAskedAtMs ??= report.firstAskedAtMs
    for (const one of report.tries) held.tries.set(one.id, one)
    for (const flag of report.flags) held.flags.add(flag)
  }

  const listener = net.createServer({ allowHalfOpen: true, noDelay: true }, (socket) => responder.accept(socket))
  await new Promise<void>((resolve) => listener.listen(0, options.host ?? '127.0.0.1', resolve))

  const server: ByteServer = {
    port: (listener.address() as AddressInfo).port,
    responder,
    kernel,
    addLink(token, file, more = {}) {
      const target: LinkTarget = {
        linkId: token,
        kind: 'unit',
        sha256: file.sha256,
        sizeBytes: file.sizeBytes,
        fileName: FILE_NAME,
        storedAtMs: STORED_AT_MS,
        contentDisposition: false,
        clientLooksLikeBrowser: false,
        byteBudgetBytes: file.sizeBytes * 2.5 + BLOCK_BYTES,
        end: null,
        ledger: { sentBytes: 0, sent: [], acknowledged: [], inferred: [] },
        ...more,
      }
      targets.set(token, target)
      files.set(file.sha256, file)
      return target
    },
    recorded,
    async until(token, ready) {
      while (!ready(recorded(token))) await new Promise((resolve) => setTimeout(resolve, 5))
      return recorded(token)
    },
    lastTry: (token) => [...recorded(token).tries.values()].at(-1),
    reports,
    warnings,
    refuse: false,
    async stop() {
      listener.close()
      await responder.stop()
      others.closeAllConnections()
      await kernel.stop()
    },
  }
  return server
}

function emptyRecord(): Recorded {
  return {
    sent: [],
    acknowledged: [],
    inferred: [],
    sentBytes: 0,
    duplicateBytes: 0,
    budgetSpent: false,
    firstAskedAtMs: null,
    tries: new Map(),
    flags: new Set(),
  }
}
