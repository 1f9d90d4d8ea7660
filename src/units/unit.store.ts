import type { Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import { inList, insertRows, runText } from '../db/raw.driver.js'
import type { Database } from '../db/schema.js'
import type { Page } from '../http/zod-routes.js'
import { sortedGroups } from './unit.js'

export interface Unit {
  id: string
  imei: string | null
  serial: string | null
  modelId: string
  hardware: string | null
  phone: string | null
  iccid: string | null
  groups: string[]
  timeZone: string
  dataAllowanceBytes: number | null
  notes: string
  version: string | null
  versionObservedAtMs: number | null
  retired: boolean
  createdAtMs: number
}

/** Ids in one IN list: far under the limit of variables of any store. */
export const CHUNK = 500

export function* chunks<T>(items: readonly T[], size = CHUNK): Generator<T[]> {
  for (let i = 0; i < items.length; i += size) yield items.slice(i, i + size)
}

const toUnit = (row: Selectable<Database['unit']>, groups: string[]): Unit => ({
  id: row.id,
  imei: row.imei,
  serial: row.serial,
  modelId: row.model_id,
  hardware: row.hardware,
  phone: row.phone,
  iccid: row.iccid,
  // As they are compared: the database's order of letters is another one beyond the first 65,536.
  groups: sortedGroups(groups),
  timeZone: row.time_zone,
  dataAllowanceBytes: row.data_allowance_bytes === null ? null : Number(row.data_allowance_bytes),
  notes: row.notes,
  version: row.version,
  versionObservedAtMs: row.version_observed_at_ms === null ? null : Number(row.version_observed_at_ms),
  retired: row.retired === 1,
  createdAtMs: Number(row.created_at_ms),
})

async function withGroups(db: Db, rows: Selectable<Database['unit']>[]): Promise<Unit[]> {
  const groups = new Map<string, string[]>()
  for (const ids of chunks(rows.map((row) => row.id))) {
    const list = inList(ids)
    const found = await runText<{ unit_id: string; name: string }>(
      db,
      `select unit_id, name from unit_group where unit_id in ${list.text}`,
      list.values,
    )
    for (const { unit_id, name } of found) groups.set(unit_id, [...(groups.get(unit_id) ?? []), name])
  }
  return rows.map((row) => toUnit(row, groups.get(row.id) ?? []))
}

/** What a caller may set; versions come by check-ins only. */
const settableColumns = (unit: Unit) => ({
  imei: unit.imei,
  serial: unit.serial,
  model_id: unit.modelId,
  hardware: unit.hardware,
  phone: unit.phone,
  iccid: unit.iccid,
  time_zone: unit.timeZone,
  data_allowance_bytes: unit.dataAllowanceBytes,
  notes: unit.notes,
  retired: unit.retired ? (1 as const) : (0 as const),
})

const wholeRow = (unit: Unit) =>
  // One object filled up: spread into another one it costs as much again, for each row of a list.
  Object.assign(settableColumns(unit), {
    id: unit.id,
    version: unit.version,
    version_observed_at_ms: unit.versionObservedAtMs,
    created_at_ms: unit.createdAtMs,
  })

/** Written over a unit that is known; what only check-ins set stays as it is. */
const OVER_KNOWN = `on conflict (id) do update set ${[
  'imei',
  'serial',
  'model_id',
  'hardware',
  'phone',
  'iccid',
  'time_zone',
  'data_allowance_bytes',
  'notes',
  'retired',
]
  .map((name) => `${name} = excluded.${name}`)
  .join(', ')}`

/** Many at once. */
export async function saveUnits(db: Db, units: readonly Unit[], kind: 'new' | 'changed'): Promise<void> {
  await insertRows(db, 'unit', units.map(wholeRow), kind === 'new' ? '' : OVER_KNOWN)
  if (kind === 'changed') {
    for (const part of chunks(units)) {
      const ids = inList(part.map(({ id }) => id))
      await runText(db, `delete from unit_group where unit_id in ${ids.text}`, ids.values)
    }
  }
  await insertRows(
    db,
    'unit_group',
    units.flatMap((unit) => unit.groups.map((name) => ({ unit_id: unit.id, name }))),
  )
}

export async function listModelIds(db: Db): Promise<Set<string>> {
  const rows = await db.selectFrom('model').select('id').execute()
  return new Set(rows.map(({ id }) => id))
}

/** Units in use that have one of these numbers. */
export async function findByNumber(
  db: Db,
  column: 'phone' | 'iccid',
  numbers: readonly string[],
): Promise<{ id: string; value: string }[]> {
  const found: { id: string; value: string }[] = []
  for (const part of chunks(numbers)) {
    const list = inList(part)
    const text = `select id, ${column} as value from unit where ${column} in ${list.text} and retired = 0`
    found.push(...(await runText<{ id: string; value: string }>(db, text, list.values)))
  }
  return found
}

export async function insertUnit(db: Db, unit: Unit): Promise<void> {
  await db.insertInto('unit').values(wholeRow(unit)).execute()
  await setGroups(db, unit.id, unit.groups)
}

export async function updateUnit(db: Db, unit: Unit): Promise<void> {
  await db.updateTable('unit').set(settableColumns(unit)).where('id', '=', unit.id).execute()
  await setGroups(db, unit.id, unit.groups)
}

async function setGroups(db: Db, unitId: string, groups: readonly string[]): Promise<void> {
  await db.deleteFrom('unit_group').where('unit_id', '=', unitId).execute()
  if (groups.length > 0) {
    await db
      .insertInto('unit_group')
      .values([...new Set(groups)].map((name) => ({ unit_id: unitId, name })))
      .execute()
  }
}

const NOTE_VERSION = `update unit set version = ?, version_observed_at_ms = ?
  where id = ? and (version_observed_at_ms is null or version_observed_at_ms <= ?)`

/** Stores the newest observation of each unit, of two at one time the later one in the list; an older one changes nothing. */
export async function noteVersions(
  db: Db,
  seen: readonly { unitId: string; version: string; observedAtMs: number }[],
): Promise<void> {
  const newest = new Map<string, { version: string; observedAtMs: number }>()
  for (const one of seen) {
    const known = newest.get(one.unitId)
    if (!known || known.observedAtMs <= one.observedAtMs) newest.set(one.unitId, one)
  }
  for (const [id, { version, observedAtMs }] of newest)
    await runText(db, NOTE_VERSION, [version, observedAtMs, id, observedAtMs])
}

/** Ids alone, for many names at once: our id, IMEI or serial number, in this order. Names that nobody has are absent. */
export async function findUnitIds(db: Db, names: readonly string[]): Promise<Map<string, string>> {
  const found = new Map<string, string>()
  let missing = [...new Set(names)]
  for (const key of ['id', 'imei', 'serial'] as const) {
    for (const part of chunks(missing)) {
      const list = inList(part)
      const text = `select id, ${key} as name from unit where ${key} in ${list.text}`
      for (const row of await runText<{ id: string; name: string }>(db, text, list.values)) found.set(row.name, row.id)
    }
    missing = missing.filter((name) => !found.has(name))
  }
  return found
}

/** By our id, IMEI or serial number, in this order. */
export async function findUnit(db: Db, name: string): Promise<Unit | null> {
  return (await findUnits(db, [name])).get(name) ?? null
}

/** The same for many at once: name as given → unit. Names that nobody has are absent. */
export async function findUnits(db: Db, names: readonly string[]): Promise<Map<string, Unit>> {
  const found = new Map<string, Unit>()
  for (const part of chunks([...new Set(names)])) {
    const list = inList(part)
    const rows = await runText<Selectable<Database['unit']>>(
      db,
      `select * from unit where id in ${list.text} or imei in ${list.text} or serial in ${list.text}`,
      [...list.values, ...list.values, ...list.values],
    )
    const units = await withGroups(db, rows)
    for (const key of ['serial', 'imei', 'id'] as const) {
      for (const unit of units) if (unit[key] !== null) found.set(unit[key], unit)
    }
  }
  return found
}

export async function listUnits(
  db: Db,
  filter: Page & { model?: string | undefined; group?: string | undefined },
): Promise<Unit[]> {
  let query = db
    .selectFrom('unit')
    .selectAll()
    .where('id', '>', filter.after ?? '')
    .orderBy('id')
    .limit(filter.limit + 1)
  if (filter.model !== undefined) query = query.where('model_id', '=', filter.model)
  const { group } = filter
  if (group !== undefined) {
    query = query.where('id', 'in', (inner) =>
      inner.selectFrom('unit_group').select('unit_id').where('name', '=', group),
    )
  }
  return withGroups(db, await query.execute())
}

/** In the order of their ids. */
export async function listGroupUnitIds(db: Db, group: string, limit: number): Promise<string[]> {
  const rows = await db
    .selectFrom('unit_group')
    .select('unit_id')
    .where('name', '=', group)
    .orderBy('unit_id')
    .limit(limit)
    .execute()
  return rows.map((row) => row.unit_id)
}

/** The open task of each of these units. */
export async function findOpenTasks(db: Db, unitIds: readonly string[]): Promise<Map<string, string>> {
  const open = new Map<string, string>()
  for (const part of chunks(unitIds)) {
    const rows = await db
      .selectFrom('task')
      .select(['id', 'unit_id'])
      .where('unit_id', 'in', part)
      .where('closed_at_ms', 'is', null)
      .execute()
    for (const row of rows) open.set(row.unit_id, row.id)
  }
  return open
}
