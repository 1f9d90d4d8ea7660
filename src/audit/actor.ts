// Who did it, and by which door: every change is recorded with one. Pure.

export interface Actor {
  /** The key's id; `system` for the server itself. */
  id: string
  name: string
  /** One of access/roles.ts, or `system`. */
  role: string
  via: 'api' | 'public' | 'cli' | 'system'
  /** An Idempotency-Key, where the caller gave one: the writing thread answers a repeat from the record. */
  once: { name: string; requestHash: string } | null
}

/** What the server does by itself: deadlines, the ledger. */
export const SYSTEM: Actor = { id: 'system', name: 'the server', role: 'system', via: 'system', once: null }
