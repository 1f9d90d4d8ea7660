// Brings what the ledgers learn to the record: at most once a second in one batch, at once when a response has ended.
// A batch that fails is kept, joined with what came since, and offered again: never lost while the process lives.
import type { Clock } from '../clock.js'
import type { LedgerReport, LedgerSink } from './delivery.js'
import { joinReports } from './ledger-report.js'
import type { LinkLedger } from './link-ledger.js'

const ROUTINE_MS = 1000
/** Links in one batch: one transaction of the record stays short. The rest follows in the next. */
const BATCH_MAX = 1000
const RETRY_MS = 1000
/** While stopping the record is asked again quickly, but not for ever: 10 s. */
const STOP_RETRY_MS = 250
const STOP_RETRIES_MAX = 40

export interface ReportQueue {
  /** The ledger has something to tell; `soon` where a response has ended. */
  touch(ledger: LinkLedger, soon: boolean): void
  /** Whether something of this link has not reached the record yet. */
  holds(ledger: LinkLedger): boolean
  /** Resolves once the record has everything; rejects where it keeps refusing. */
  stop(): Promise<void>
}

export function createReportQueue(deps: {
  sink: LedgerSink
  clock: Clock
  log: { warn(fields: object, text: string): void }
}): ReportQueue {
  const { sink, clock, log } = deps
  const touched = new Set<LinkLedger>()
  /** Reports on their way or refused, by link. As many at most as links were touched. */
  const kept = new Map<string, LedgerReport>()
  let flushing: Promise<boolean> | null = null
  let timer: NodeJS.Timeout | null = null
  let dueMs = Infinity
  let failed = false
  /** A response ended while a batch was under way. */
  let wantedSoon = false

  function schedule(delayMs: number): void {
    const wantedMs = performance.now() + delayMs
    if (timer && dueMs <= wantedMs) return
    if (timer) clearTimeout(timer)
    dueMs = wantedMs
    timer = setTimeout(() => {
      timer = null
      void flush()
    }, delayMs)
  }

  function collect(): LedgerReport[] {
    for (const ledger of touched) {
      if (kept.size >= BATCH_MAX && !kept.has(ledger.linkId)) continue
      touched.delete(ledger)
      const report = ledger.takeReport(clock())
      const older = kept.get(ledger.linkId)
      if (report) kept.set(ledger.linkId, older ? joinReports(older, report) : report)
    }
    return [...kept.values()]
  }

  async function offer(): Promise<boolean> {
    const batch = collect()
    if (batch.length === 0) return true
    try {
      await sink.record(batch)
      kept.clear()
      failed = false
    } catch (error) {
      if (!failed) log.warn({ err: error, links: batch.length }, 'the record did not take a batch, it is offered again')
      failed = true
    }
    return !failed
  }

  /** One batch at a time. What is touched meanwhile goes with the next one. */
  async function flush(): Promise<boolean> {
    if (flushing) return flushing
    flushing = offer()
    const done = await flushing
    flushing = null
    const atOnce = wantedSoon || touched.size >= BATCH_MAX
    wantedSoon = false
    if (!done) schedule(RETRY_MS)
    else if (touched.size > 0) schedule(atOnce ? 0 : ROUTINE_MS)
    return done
  }

  return {
    touch(ledger, soon) {
      touched.add(ledger)
      if (failed) return // The retry takes it along.
      if (flushing) wantedSoon ||= soon
      else schedule(soon ? 0 : ROUTINE_MS)
    },
    holds: (ledger) => touched.has(ledger) || kept.has(ledger.linkId),
    async stop() {
      for (let tries = 0; tries < STOP_RETRIES_MAX; tries += 1) {
        const done = await flush()
        if (done && touched.size === 0) break
        if (!done) await new Promise((resolve) => setTimeout(resolve, STOP_RETRY_MS))
      }
      if (timer) clearTimeout(timer)
      timer = null
      if (touched.size > 0 || kept.size > 0) throw new Error('the record did not take the last reports')
    },
  }
}
