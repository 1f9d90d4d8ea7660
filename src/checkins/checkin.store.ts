import type { Db } from '../db/db.js'
import { insertRows } from '../db/raw.driver.js'

export interface StoredCheckin {
  id: string
  unitId: string
  source: string
  externalId: string | null
  version: string
  rawVersion: string
  statedAtMs: number | null
  observedAtMs: number
  receivedAtMs: number
  timing: 'stated' | 'receipt' | 'clock'
  digest: string | null
  note: string | null
  keyId: string | null
}

/** Stores what is new; returns the ids that were, the others are doubles of something stored. */
export async function insertCheckins(db: Db, checkins: readonly StoredCheckin[]): Promise<Set<string>> {
  const rows = await insertRows<'checkin', { id: string }>(
    db,
    'checkin',
    checkins.map((checkin) => ({
      id: checkin.id,
      unit_id: checkin.unitId,
      source: checkin.source,
      external_id: checkin.externalId,
      version: checkin.version,
      raw_version: checkin.rawVersion,
      stated_at_ms: checkin.statedAtMs,
      observed_at_ms: checkin.observedAtMs,
      received_at_ms: checkin.receivedAtMs,
      timing: checkin.timing,
      answers_query_sent_at_ms: null,
      digest: checkin.digest,
      note: checkin.note,
      key_id: checkin.keyId,
    })),
    'on conflict do nothing returning id',
  )
  return new Set(rows.map((row) => row.id))
}

export async function listVersions(
  db: Db,
  unitId: string,
  page: { after?: string | undefined; limit: number },
): Promise<StoredCheckin[]> {
  let query = db
    .selectFrom('checkin')
    .selectAll()
    .where('unit_id', '=', unitId)
    .orderBy('id', 'desc')
    .limit(page.limit + 1)
  if (page.after !== undefined) query = query.where('id', '<', page.after)
  return (await query.execute()).map((row) => ({
    id: row.id,
    unitId: row.unit_id,
    source: row.source,
    externalId: row.external_id,
    version: row.version,
    rawVersion: row.raw_version,
    statedAtMs: row.stated_at_ms === null ? null : Number(row.stated_at_ms),
    observedAtMs: Number(row.observed_at_ms),
    receivedAtMs: Number(row.received_at_ms),
    timing: row.timing as StoredCheckin['timing'],
    digest: row.digest,
    note: row.note,
    keyId: row.key_id,
  }))
}
