// Joins reports on one link: a batch that the record did not take is offered again together with what came since. Pure.
import type { LedgerFlag, LedgerReport, TryRecord } from './delivery.js'
import { bounded, union } from './span.js'

/** Tries in one report. A client in a loop makes thousands of empty ones; what they moved is in the sums and spans. */
export const TRIES_IN_REPORT_MAX = 500

export function joinReports(older: LedgerReport, newer: LedgerReport): LedgerReport {
  const asked = [older.firstAskedAtMs, newer.firstAskedAtMs].filter((ms) => ms !== null)
  const last = [older.lastByteAtMs, newer.lastByteAtMs].filter((ms) => ms !== null)
  const tries = boundedTries([...older.tries, ...newer.tries])
  return {
    linkId: newer.linkId,
    atMs: newer.atMs,
    sent: bounded(union(older.sent, newer.sent)),
    acknowledged: bounded(union(older.acknowledged, newer.acknowledged)),
    inferred: bounded(union(older.inferred, newer.inferred)),
    sentBytes: older.sentBytes + newer.sentBytes,
    duplicateBytes: older.duplicateBytes + newer.duplicateBytes,
    firstAskedAtMs: asked.length > 0 ? Math.min(...asked) : null,
    lastByteAtMs: last.length > 0 ? Math.max(...last) : null,
    budgetSpent: older.budgetSpent || newer.budgetSpent,
    tries: tries.kept,
    flags: sortedFlags([...older.flags, ...newer.flags, ...tries.flags]),
  }
}

/** The newest state of each try, oldest try first; where there are too many, those without a body go first. */
export function boundedTries(tries: readonly TryRecord[]): { kept: TryRecord[]; flags: LedgerFlag[] } {
  const newest = [...new Map(tries.map((one) => [one.id, one])).values()]
  if (newest.length <= TRIES_IN_REPORT_MAX) return { kept: newest, flags: [] }
  const ranked = [...newest].sort((a, b) => Number(b.span !== null) - Number(a.span !== null))
  const chosen = new Set(ranked.slice(0, TRIES_IN_REPORT_MAX))
  return { kept: newest.filter((one) => chosen.has(one)), flags: ['tries-left-out'] }
}

export const sortedFlags = <Flag extends string>(flags: Iterable<Flag>): Flag[] => [...new Set(flags)].sort()
