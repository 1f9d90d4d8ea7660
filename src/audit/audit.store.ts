// The audit log in the database: appended in the transaction of the change itself, read back byte for byte.
import { randomBytes } from 'node:crypto'
import { setImmediate } from 'node:timers/promises'
import { toRfc3339 } from '../clock.js'
import type { Db, Work } from '../db/db.js'
import { insertRows, runText } from '../db/raw.driver.js'
import type { Actor } from './actor.js'
import { type ChainHead, EMPTY_HEAD, sealWithText } from './chain.js'

/** One thing that happened, before it has its place in the chain. */
export interface AuditDraft {
  action: string
  unit?: string | null
  task?: string | null
  package?: string | null
  fromVersion?: string | null
  toVersion?: string | null
  sha256?: string | null
  detail?: Record<string, unknown>
  /** Personal data: bound by a salted hash, outside the hashed bytes, so that it can be erased. */
  labels?: Record<string, string>
}

const SALT_BYTES = 16

const HEAD = 'select seq, hash from audit order by seq desc limit 1'

export async function readHead(db: Db): Promise<ChainHead> {
  const [row] = await runText<{ seq: number | string; hash: string }>(db, HEAD)
  return row ? { seq: Number(row.seq), hash: row.hash } : EMPTY_HEAD
}

/** Chains the drafts, in order, to what is there. Runs inside the writing transaction, so no other entry comes between. */
export async function appendAudit(work: Work, actor: Actor, drafts: readonly AuditDraft[]): Promise<void> {
  if (drafts.length === 0) return
  let head = await readHead(work.db)
  const at = toRfc3339(work.nowMs)
  const salts = randomBytes(SALT_BYTES * drafts.length).toString('hex')
  const rows = drafts.map((draft, index) => {
    const salt = salts.slice(index * SALT_BYTES * 2, (index + 1) * SALT_BYTES * 2)
    const { entry, text, labelsText } = seal(draft, { actor, at, head, salt })
    head = { seq: entry.seq, hash: entry.hash }
    return {
      seq: entry.seq,
      at_ms: work.nowMs,
      action: entry.action,
      actor_id: actor.id,
      unit_id: entry.unit,
      task_id: entry.task,
      body: text,
      hash: entry.hash,
      // In the form that was hashed: a copy of the log is then checked without sorting members.
      labels: labelsText,
    }
  })
  await insertRows(work.db, 'audit', rows)
  work.effects.push({ kind: 'audit', seq: head.seq })
}

function seal(
  draft: AuditDraft,
  place: { actor: Actor; at: string; head: ChainHead; salt: string },
): ReturnType<typeof sealWithText> {
  const { actor, at, head, salt } = place
  const personal = { ...(actor.id !== 'system' && { actorName: actor.name }), ...draft.labels }
  const labels = Object.keys(personal).length > 0 ? { salt, ...personal } : null
  return sealWithText(
    head,
    {
      at,
      actor: { id: actor.id, role: actor.role, via: actor.via },
      action: draft.action,
      unit: draft.unit ?? null,
      task: draft.task ?? null,
      package: draft.package ?? null,
      fromVersion: draft.fromVersion ?? null,
      toVersion: draft.toVersion ?? null,
      sha256: draft.sha256 ?? null,
      detail: draft.detail ?? {},
    },
    labels,
  )
}

export interface AuditFilter {
  unit?: string | undefined
  actor?: string | undefined
  action?: string | undefined
  task?: string | undefined
  fromMs?: number | undefined
  toMs?: number | undefined
}

export interface StoredEntry {
  seq: number
  atMs: number
  body: string
  hash: string
  labels: string | null
}

/** Entries after `afterSeq`, in order; a page of the whole. `newest`: the last ones rather than the first. */
export async function listEntries(
  db: Db,
  filter: AuditFilter,
  page: { afterSeq: number; limit: number; untilSeq?: number; newest?: boolean },
): Promise<StoredEntry[]> {
  let query = db
    .selectFrom('audit')
    .select(['seq', 'at_ms', 'body', 'hash', 'labels'])
    .where('seq', '>', page.afterSeq)
    .orderBy('seq', page.newest ? 'desc' : 'asc')
    .limit(page.limit)
  if (page.untilSeq !== undefined) query = query.where('seq', '<=', page.untilSeq)
  if (filter.unit !== undefined) query = query.where('unit_id', '=', filter.unit)
  if (filter.task !== undefined) query = query.where('task_id', '=', filter.task)
  if (filter.actor !== undefined) query = query.where('actor_id', '=', filter.actor)
  // An action, or all of a kind: `task.` stands for every action that begins with it.
  if (filter.action?.endsWith('.')) query = query.where('action', 'like', `${filter.action}%`)
  else if (filter.action !== undefined) query = query.where('action', '=', filter.action)
  if (filter.fromMs !== undefined) query = query.where('at_ms', '>=', filter.fromMs)
  if (filter.toMs !== undefined) query = query.where('at_ms', '<', filter.toMs)
  const rows = await query.execute()
  const entries = rows.map((row) => ({
    seq: Number(row.seq),
    atMs: Number(row.at_ms),
    body: row.body,
    hash: row.hash,
    labels: row.labels,
  }))
  return page.newest ? entries.reverse() : entries
}

/** Entries looked at between two turns of the event loop: some 25 ms where no index leads to those wanted. */
const SCAN_SEQS = 10_000

/**
 * As listEntries, up to `untilSeq` (without it the newest), for filters of any kind: by actor, action or time a whole log
 * of 1,000,000 took 1.2 to 1.6 s in one look, in which its thread answered nobody.
 */
export async function scanEntries(
  db: Db,
  filter: AuditFilter,
  page: { afterSeq: number; limit: number; untilSeq?: number },
): Promise<StoredEntry[]> {
  if (filter.unit !== undefined || filter.task !== undefined) return listEntries(db, filter, page)
  const lastSeq = page.untilSeq ?? (await readHead(db)).seq
  const found: StoredEntry[] = []
  for (let afterSeq = page.afterSeq; afterSeq < lastSeq && found.length < page.limit; afterSeq += SCAN_SEQS) {
    const untilSeq = Math.min(lastSeq, afterSeq + SCAN_SEQS)
    found.push(...(await listEntries(db, filter, { afterSeq, untilSeq, limit: page.limit - found.length })))
    if (found.length < page.limit) await setImmediate()
  }
  return found
}
