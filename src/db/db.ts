// What stores and services get: a database handle, and for writing a unit of work with its time and its effects.
import type { Kysely } from 'kysely'
import type { Database } from './schema.js'

export type Db = Kysely<Database>

/** What other threads have to learn once the change is committed, and not before. */
export type Effect =
  | { kind: 'link-ended'; linkId: string }
  | { kind: 'audit'; seq: number }
  | { kind: 'ledger'; linkId: string; taskId: string | null }
  /** Nothing goes out from now on. */
  | { kind: 'hold-set' }
  /** The stored bytes are damaged, or good ones were put in their place. */
  | { kind: 'blob-damaged'; sha256: string; linkIds: string[] }
  | { kind: 'blob-repaired'; sha256: string }

/** One write: its statements run in one transaction, at one moment. */
export interface Work {
  db: Db
  nowMs: number
  /** Published after the commit, dropped with a rollback. */
  effects: Effect[]
}
