// What the byte server asks of the rest of the house and what it tells it: the ports between the public thread and the
// record. Pure types; the byte server knows no SQL, the record knows no socket.
import type { Span } from './span.js'

/** Why a link that exists does not give its file. The last two may pass: the client is asked to come later. */
export type LinkEnd = 'ended' | 'revoked' | 'withdrawn' | 'expired' | 'budget-spent' | 'on-hold' | 'damaged'

/** A link as the byte server needs it, read anew for every request. */
export interface LinkTarget {
  linkId: string
  kind: 'unit' | 'copy'
  sha256: string
  sizeBytes: number
  /** What the last segment of the path must be, compared percent-decoded and without case. */
  fileName: string
  /** For Last-Modified: when the bytes were stored, ms. */
  storedAtMs: number
  contentDisposition: boolean
  /** The model’s own client names itself as browsers do: their word is then no sign of somebody else. */
  clientLooksLikeBrowser: boolean
  byteBudgetBytes: number
  /** null = live. */
  end: LinkEnd | null
  /** What the record holds: the byte server starts from it when it meets the link first. */
  ledger: { sentBytes: number; sent: Span[]; acknowledged: Span[]; inferred: Span[] }
}

export interface LinkSource {
  /** By token in any letter case; null = no such link. */
  find(token: string): Promise<LinkTarget | null>
}

export interface BlockSource {
  /**
   * Block `index` (of 1 MiB, the last one shorter) of a stored file, already checked against its SHA-256.
   * Throws where the bytes on disk are damaged or missing.
   */
  read(sha256: string, index: number): Promise<Buffer>
}

export const TRY_ENDS = [
  'open',
  'complete',
  'fin',
  'reset',
  'timeout',
  'revoked',
  'budget-spent',
  'damaged',
  'stopped',
  'held',
] as const
export type TryEnd = (typeof TRY_ENDS)[number]

/** What the ledger of a link says of itself besides its bytes; shown on the task of the link. */
export const LEDGER_FLAGS = [
  /** Went on where an older link of the same bytes had ended, and its proof was taken over. */
  'carried-over',
  /** A client asked to go on beyond what it had been sent. */
  'resume-beyond-sent',
  /** Asked for after the link had ended: a text that was queued somewhere. */
  'late-trigger-stopped',
  /** Somebody else had the address, by the name that the client gave itself. */
  'not-like-a-unit',
  /** Bytes went out that nobody could count at the far end: the ledger says `sent` and no more. */
  'not-counted',
  /** More requests than are kept one by one; what they moved is in the sums and spans. */
  'tries-left-out',
] as const
export type LedgerFlag = (typeof LEDGER_FLAGS)[number]

/** What a single request tells of itself: see try-flags.ts. */
export type TryFlag = 'held' | 'package-damaged' | Extract<LedgerFlag, 'late-trigger-stopped' | 'not-like-a-unit'>

/** One request on a link and what became of it. Sent again whenever it changed; the record keeps the newest by id. */
export interface TryRecord {
  id: string
  startedAtMs: number
  endedAtMs: number | null
  method: 'GET' | 'HEAD' | string
  status: number
  /** The bytes that the answer offered; null where it had no body. */
  span: Span | null
  sentBytes: number
  acknowledgedBytes: number
  end: TryEnd
  remoteAddress: string
  userAgent: string | null
  flags: TryFlag[]
}

/** What happened on one link since the last report. Spans are new ones only; the record takes the union. */
export interface LedgerReport {
  linkId: string
  atMs: number
  sent: Span[]
  acknowledged: Span[]
  inferred: Span[]
  /** Body bytes handed to sockets since the last report, doubles included: for the byte budget. */
  sentBytes: number
  /** Of these, bytes that had been sent before. */
  duplicateBytes: number
  /** First GET answered with 200 or 206 since the last report, and the last byte sent or acknowledged. */
  firstAskedAtMs: number | null
  lastByteAtMs: number | null
  budgetSpent: boolean
  tries: TryRecord[]
  flags: LedgerFlag[]
}

export interface LedgerSink {
  /** Resolves once the reports are committed. A rejected batch is offered again by the caller, joined with what came since. */
  record(reports: LedgerReport[]): Promise<void>
}
