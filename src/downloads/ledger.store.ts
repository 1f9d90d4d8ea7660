// What the record holds of each link: the spans with their grades, and the tries.
import type { Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import { inList, runText } from '../db/raw.driver.js'
import type { Database } from '../db/schema.js'
import { chunks } from '../units/unit.store.js'
import type { LedgerFlag, TryEnd, TryFlag, TryRecord } from './delivery.js'
import type { Span } from './span.js'

export interface Ledger {
  linkId: string
  sent: Span[]
  acknowledged: Span[]
  inferred: Span[]
  sentBytes: number
  duplicateBytes: number
  firstAskedAtMs: number | null
  lastByteAtMs: number | null
  completeAtMs: number | null
  completeGrade: 'acknowledged' | 'inferred' | null
  budgetSpentAtMs: number | null
  flags: LedgerFlag[]
}

export const emptyLedger = (linkId: string): Ledger => ({
  linkId,
  sent: [],
  acknowledged: [],
  inferred: [],
  sentBytes: 0,
  duplicateBytes: 0,
  firstAskedAtMs: null,
  lastByteAtMs: null,
  completeAtMs: null,
  completeGrade: null,
  budgetSpentAtMs: null,
  flags: [],
})

const msOrNull = (value: number | string | null): number | null => (value === null ? null : Number(value))

const toLedger = (row: Selectable<Database['ledger']>): Ledger => ({
  linkId: row.link_id,
  sent: JSON.parse(row.sent) as Span[],
  acknowledged: JSON.parse(row.acknowledged) as Span[],
  inferred: JSON.parse(row.inferred) as Span[],
  sentBytes: Number(row.sent_bytes),
  duplicateBytes: Number(row.duplicate_bytes),
  firstAskedAtMs: msOrNull(row.first_asked_at_ms),
  lastByteAtMs: msOrNull(row.last_byte_at_ms),
  completeAtMs: msOrNull(row.complete_at_ms),
  completeGrade: row.complete_grade as Ledger['completeGrade'],
  budgetSpentAtMs: msOrNull(row.budget_spent_at_ms),
  flags: JSON.parse(row.flags) as LedgerFlag[],
})

export async function findLedgers(db: Db, linkIds: readonly string[]): Promise<Map<string, Ledger>> {
  const found = new Map<string, Ledger>()
  for (const part of chunks(linkIds)) {
    const list = inList(part)
    const text = `select * from ledger where link_id in ${list.text}`
    const rows = await runText<Selectable<Database['ledger']>>(db, text, list.values)
    for (const row of rows) found.set(row.link_id, toLedger(row))
  }
  return found
}

export async function saveLedger(db: Db, ledger: Ledger): Promise<void> {
  const values = {
    sent: JSON.stringify(ledger.sent),
    acknowledged: JSON.stringify(ledger.acknowledged),
    inferred: JSON.stringify(ledger.inferred),
    sent_bytes: ledger.sentBytes,
    duplicate_bytes: ledger.duplicateBytes,
    first_asked_at_ms: ledger.firstAskedAtMs,
    last_byte_at_ms: ledger.lastByteAtMs,
    complete_at_ms: ledger.completeAtMs,
    complete_grade: ledger.completeGrade,
    budget_spent_at_ms: ledger.budgetSpentAtMs,
    flags: JSON.stringify(ledger.flags),
  }
  await db
    .insertInto('ledger')
    .values({ link_id: ledger.linkId, ...values })
    .onConflict((conflict) => conflict.column('link_id').doUpdateSet(values))
    .execute()
}

export async function saveTry(db: Db, linkId: string, record: TryRecord): Promise<void> {
  const values = {
    link_id: linkId,
    started_at_ms: record.startedAtMs,
    ended_at_ms: record.endedAtMs,
    method: record.method,
    status: record.status,
    first: record.span?.[0] ?? null,
    last: record.span?.[1] ?? null,
    sent_bytes: record.sentBytes,
    acknowledged_bytes: record.acknowledgedBytes,
    end_cause: record.end,
    remote_address: record.remoteAddress,
    user_agent: record.userAgent,
    flags: JSON.stringify(record.flags),
  }
  await db
    .insertInto('fetch_try')
    .values({ id: record.id, ...values })
    .onConflict((conflict) => conflict.column('id').doUpdateSet(values))
    .execute()
}

export async function countTries(db: Db, linkId: string): Promise<number> {
  const row = await db
    .selectFrom('fetch_try')
    .select((select) => select.fn.countAll<number | string>().as('count'))
    .where('link_id', '=', linkId)
    .executeTakeFirstOrThrow()
  return Number(row.count)
}

export async function hasTry(db: Db, id: string): Promise<boolean> {
  return (await db.selectFrom('fetch_try').select('id').where('id', '=', id).executeTakeFirst()) !== undefined
}

/** The newest tries on these links, newest first. */
export async function listTries(
  db: Db,
  linkIds: readonly string[],
  limit: number,
): Promise<(TryRecord & { linkId: string })[]> {
  if (linkIds.length === 0) return []
  const rows = await db
    .selectFrom('fetch_try')
    .selectAll()
    .where('link_id', 'in', linkIds.slice(-500))
    .orderBy('id', 'desc')
    .limit(limit)
    .execute()
  return rows.map((row) => ({
    linkId: row.link_id,
    id: row.id,
    startedAtMs: Number(row.started_at_ms),
    endedAtMs: msOrNull(row.ended_at_ms),
    method: row.method,
    status: row.status,
    span: row.first === null || row.last === null ? null : [Number(row.first), Number(row.last)],
    sentBytes: Number(row.sent_bytes),
    acknowledgedBytes: Number(row.acknowledged_bytes),
    end: row.end_cause as TryEnd,
    remoteAddress: row.remote_address,
    userAgent: row.user_agent,
    flags: JSON.parse(row.flags) as TryFlag[],
  }))
}

/** What was acknowledged of the same bytes on the newest older link of the same unit; null = there is none. */
export async function findOlderProof(
  db: Db,
  link: { id: string; unitId: string | null },
  sha256: string,
): Promise<Span[] | null> {
  const older = await db
    .selectFrom('link')
    .innerJoin('package', 'package.id', 'link.package_id')
    .innerJoin('ledger', 'ledger.link_id', 'link.id')
    .select(['ledger.acknowledged'])
    .where('link.unit_id', '=', link.unitId)
    .where('link.kind', '=', 'unit')
    .where('link.id', '<', link.id)
    .where('package.sha256', '=', sha256)
    .orderBy('link.id', 'desc')
    .limit(1)
    .executeTakeFirst()
  return older ? (JSON.parse(older.acknowledged) as Span[]) : null
}
