// The links that the byte server knows at this moment, each with its ledger and its connections. In memory only: what
// matters of it is in the record. No I/O.
import type { LinkTarget } from './delivery.js'
import { createLinkLedger, type LedgerRules, type LinkLedger } from './link-ledger.js'

/** Links kept after their last connection ended, so that a resume days later still finds where it broke off. */
const LINKS_MAX = 20_000
/** Revocations remembered for requests that were being looked up at that moment; look-ups take milliseconds. */
const REVOKED_MAX = 10_000

/** What the registry has to know of a connection. */
export interface LinkConnection {
  /** Bytes handed over or acknowledged, or a request read, at this time last, ms. */
  readonly lastProgressMs: number
  kill(how: 'revoked' | 'timeout' | 'stopped' | 'held' | 'damaged'): void
}

export interface LinkEntry {
  readonly linkId: string
  readonly ledger: LinkLedger
  readonly connections: Set<LinkConnection>
}

export interface LinkRegistry {
  /** Starts from what the record holds where the link is met first. */
  meet(target: LinkTarget): LinkEntry
  get(linkId: string): LinkEntry | undefined
  all(): Iterable<LinkEntry>
  /** A mark taken before a link is looked up; see `endedSince`. */
  mark(): number
  noteRevoked(linkId: string): void
  noteHold(): void
  /** Whether the link was revoked after the mark, or all put on hold: what the look-up said of it may be older. */
  endedSince(linkId: string, mark: number): 'revoked' | 'on-hold' | null
}

export function createLinkRegistry(deps: {
  rules: LedgerRules
  unreported: (ledger: LinkLedger) => boolean
}): LinkRegistry {
  const entries = new Map<string, LinkEntry>()
  const revoked = new Map<string, number>()
  let revocations = 0
  let heldAt = 0

  /** Drops the link that was met longest ago and has nothing under way; the record knows all of it. */
  function makeRoom(): void {
    for (const [linkId, entry] of entries) {
      if (entries.size < LINKS_MAX) return
      const spare = entry.connections.size === 0 && entry.ledger.idle && !deps.unreported(entry.ledger)
      if (spare) entries.delete(linkId)
    }
  }

  return {
    meet(target) {
      let entry = entries.get(target.linkId)
      if (!entry) {
        if (entries.size >= LINKS_MAX) makeRoom()
        const ledger = createLinkLedger({ linkId: target.linkId, held: target.ledger, rules: deps.rules })
        entry = { linkId: target.linkId, ledger, connections: new Set() }
      }
      entries.delete(target.linkId) // Re-inserted at the end: a Map keeps the order of insertion.
      entries.set(target.linkId, entry)
      return entry
    },
    get: (linkId) => entries.get(linkId),
    all: () => entries.values(),
    mark: () => revocations,
    noteRevoked(linkId) {
      revocations += 1
      revoked.delete(linkId)
      revoked.set(linkId, revocations)
      const [oldest] = revoked.keys()
      if (revoked.size > REVOKED_MAX && oldest !== undefined) revoked.delete(oldest)
    },
    noteHold() {
      revocations += 1
      heldAt = revocations
    },
    endedSince(linkId, mark) {
      if ((revoked.get(linkId) ?? 0) > mark) return 'revoked'
      return heldAt > mark ? 'on-hold' : null
    },
  }
}
