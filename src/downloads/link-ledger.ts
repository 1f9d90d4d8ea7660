// What may be claimed of one link: bytes sent, acknowledged, inferred; tries; duplicates. Pure: times are passed in.
// Ruled by domain.md "The ledger: what may be claimed". Every doubt is settled towards the smaller claim.
import type { LedgerFlag, LedgerReport, LinkTarget, TryEnd, TryFlag, TryRecord } from './delivery.js'
import { boundedTries, sortedFlags } from './ledger-report.js'
import { absorb, bounded, SPANS_MAX, type Span, sizeOf, subtract, union } from './span.js'

/** Rule c: how long after the last byte was handed over a further request must come to speak for what came before. */
export const FOLLOW_UP_MS = 1000

export interface LedgerRules {
  /** Something in front of us ends the TCP connections: what it acknowledges says nothing of the unit. */
  behindProxy: boolean
  /** Whether the kernel's count can be read (proof a). Only where it cannot, rule c stands in. */
  countReadable: () => boolean
}

export interface ResponseStart {
  tryId: string
  /** Of the connection it runs on: responses of one connection follow each other and never run side by side. */
  connectionId: string
  method: string
  status: number
  /** null = no body, or an empty one: nothing to count. */
  span: Span | null
  /** Where the request continues a download: see DownloadPlan. */
  resumeFrom: number | null
  atMs: number
  remoteAddress: string
  userAgent: string | null
  flags: TryFlag[]
}

export interface LinkLedger {
  readonly linkId: string
  /** Body bytes ever handed to sockets for this link, doubles included: for the byte budget. */
  readonly sentBytes: number
  /** Whether something waits to be reported. */
  readonly changed: boolean
  /** Whether no response is under way. */
  readonly idle: boolean
  begin(start: ResponseStart): void
  /** The write callback fired and the socket was not destroyed. Spans come in the order of the response. */
  sent(tryId: string, span: Span, atMs: number): void
  /** Proof a, mapped to the file. Spans come in the order of the response. */
  acknowledged(tryId: string, span: Span, atMs: number): void
  /** A further request came on the same connection (rule c). */
  followedUp(tryId: string, arrivedAtMs: number): void
  end(tryId: string, how: TryEnd, atMs: number): void
  /** The byte budget cut a response off. */
  spendBudget(): void
  /** What changed since the last one, or null. The caller keeps it until the record has it. */
  takeReport(atMs: number): LedgerReport | null
}

interface OpenResponse {
  record: TryRecord
  span: Span
  connectionId: string
  /** First byte of the response that is not sent, and not acknowledged, yet. */
  sentNext: number
  acknowledgedNext: number
  lastSentAtMs: number
  /** No other response of the link ran at any moment beside it. */
  alone: boolean
  /** It went to somebody else, by what they call themselves: counted in bytes, and evidence of nothing. */
  foreign: boolean
}

/** The response that broke off last, while nothing of the link has been open since. */
interface Broken {
  acknowledgedNext: number
  sentNext: number
}

/** Ends that leave a response incomplete by what happened on the way, not by our doing. */
const BREAKS: ReadonlySet<TryEnd> = new Set<TryEnd>(['fin', 'reset', 'timeout'])

type Held = LinkTarget['ledger']

export function createLinkLedger(start: { linkId: string; held: Held; rules: LedgerRules }): LinkLedger {
  const { linkId, rules } = start
  const sent = union(start.held.sent, [])
  const acknowledged = union(start.held.acknowledged, [])
  const inferred = union(start.held.inferred, [])
  let sentBytes = start.held.sentBytes
  const open = new Map<string, OpenResponse>()
  let broken: Broken | null = null
  let news = emptyNews()

  /** Adds to what is known and, where it is new, to the next report. */
  function learn(known: Span[], fresh: Span[], span: Span): number {
    const added = absorb(known, span)
    for (const part of added) absorb(fresh, part)
    for (const set of [known, fresh]) if (set.length > SPANS_MAX) set.splice(0, set.length, ...bounded(set))
    return sizeOf(added)
  }

  function infer(span: Span): void {
    if (rules.behindProxy) return
    for (const part of subtract([span], acknowledged)) learn(inferred, news.inferred, part)
  }

  /**
   * Rule b. Of the response that broke off: the part between what was acknowledged and the place where the unit goes on,
   * if nothing else of the link was open in between and the place lies within what had been sent.
   */
  function inferFromResume(resumeFrom: number): void {
    if (!broken || open.size > 0) return
    if (resumeFrom > broken.sentNext) news.flags.add('resume-beyond-sent')
    else if (resumeFrom > broken.acknowledgedNext) infer([broken.acknowledgedNext, resumeFrom - 1])
  }

  function note(record: TryRecord): void {
    news.tries.set(record.id, record)
  }

  return {
    linkId,
    get sentBytes() {
      return sentBytes
    },
    get changed() {
      return news.tries.size > 0 || news.sentBytes > 0 || news.acknowledged.length > 0 || news.budgetSpent
    },
    get idle() {
      return open.size === 0
    },

    begin(response) {
      const { tryId, span, atMs } = response
      const record: TryRecord = {
        id: tryId,
        startedAtMs: atMs,
        endedAtMs: null,
        method: response.method,
        status: response.status,
        span,
        sentBytes: 0,
        acknowledgedBytes: 0,
        end: 'open',
        remoteAddress: response.remoteAddress,
        userAgent: response.userAgent,
        flags: response.flags,
      }
      note(record)
      const delivers = response.status === 200 || response.status === 206
      const foreign = response.flags.includes('not-like-a-unit')
      if (foreign && delivers) news.flags.add('not-like-a-unit')
      if (response.flags.includes('late-trigger-stopped')) news.flags.add('late-trigger-stopped')
      if (!foreign && response.method === 'GET' && delivers) news.firstAskedAtMs ??= atMs
      if (!span) {
        conclude(record, 'complete', atMs)
        return
      }
      if (response.resumeFrom !== null && !foreign) inferFromResume(response.resumeFrom)
      broken = null
      const beside = [...open.values()].filter((other) => other.connectionId !== response.connectionId)
      for (const other of beside) other.alone = false
      open.set(tryId, {
        record,
        span,
        connectionId: response.connectionId,
        sentNext: span[0],
        acknowledgedNext: span[0],
        lastSentAtMs: atMs,
        alone: beside.length === 0,
        foreign,
      })
    },

    sent(tryId, span, atMs) {
      const response = open.get(tryId)
      if (!response) return
      const size = sizeOf([span])
      sentBytes += size
      news.sentBytes += size
      if (!response.foreign) {
        news.duplicateBytes += size - learn(sent, news.sent, span)
        news.lastByteAtMs = atMs
      }
      response.sentNext = span[1] + 1
      response.lastSentAtMs = atMs
      response.record.sentBytes += size
      // Where nothing can be counted, handing over the last byte is all there is to see; a reset may still correct it.
      const uncounted = rules.behindProxy || !rules.countReadable()
      if (uncounted) news.flags.add('not-counted')
      if (uncounted && response.sentNext > response.span[1]) conclude(response.record, 'complete', atMs)
      note(response.record)
    },

    acknowledged(tryId, span, atMs) {
      const response = open.get(tryId)
      if (!response || rules.behindProxy) return
      if (!response.foreign) {
        learn(acknowledged, news.acknowledged, span)
        news.lastByteAtMs = atMs
      }
      response.acknowledgedNext = span[1] + 1
      response.record.acknowledgedBytes += sizeOf([span])
      note(response.record)
    },

    followedUp(tryId, arrivedAtMs) {
      const response = open.get(tryId)
      if (!response || response.foreign || rules.countReadable()) return
      const complete = response.sentNext > response.span[1]
      if (complete && arrivedAtMs - response.lastSentAtMs >= FOLLOW_UP_MS) infer(response.span)
    },

    end(tryId, how, atMs) {
      const response = open.get(tryId)
      if (!response) return
      open.delete(tryId)
      conclude(response.record, how, atMs)
      note(response.record)
      broken = BREAKS.has(how) && response.alone && !response.foreign && open.size === 0 ? response : null
    },

    spendBudget() {
      news.budgetSpent = true
    },

    takeReport(atMs) {
      if (!this.changed) return null
      const tries = boundedTries([...news.tries.values()].map((record) => ({ ...record, flags: [...record.flags] })))
      const report: LedgerReport = {
        linkId,
        atMs,
        sent: news.sent,
        acknowledged: news.acknowledged,
        inferred: news.inferred,
        sentBytes: news.sentBytes,
        duplicateBytes: news.duplicateBytes,
        firstAskedAtMs: news.firstAskedAtMs,
        lastByteAtMs: news.lastByteAtMs,
        budgetSpent: news.budgetSpent,
        tries: tries.kept,
        flags: sortedFlags([...news.flags, ...tries.flags]),
      }
      news = emptyNews()
      return report
    },
  }
}

/** A try that ends as it seemed to before keeps its first time of ending. */
function conclude(record: TryRecord, how: TryEnd, atMs: number): void {
  if (record.end === how) return
  record.end = how
  record.endedAtMs = atMs
}

/** What the next report will say. */
function emptyNews() {
  return {
    sent: [] as Span[],
    acknowledged: [] as Span[],
    inferred: [] as Span[],
    sentBytes: 0,
    duplicateBytes: 0,
    firstAskedAtMs: null as number | null,
    lastByteAtMs: null as number | null,
    budgetSpent: false,
    tries: new Map<string, TryRecord>(),
    flags: new Set<LedgerFlag>(),
  }
}
