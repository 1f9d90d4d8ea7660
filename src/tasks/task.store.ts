import type { Insertable, Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import { inList, insertRows, runText } from '../db/raw.driver.js'
import type { Database } from '../db/schema.js'
import type { Page } from '../http/zod-routes.js'
import { chunks } from '../units/unit.store.js'
import { AFTERWARDS_MAX } from './afterwards.js'
import {
  type Afterwards,
  type Derived,
  METHODS,
  type Method,
  type Move,
  OPEN,
  TASK_EXITS,
  TASK_STATES,
  type TaskState,
  type TaskTerms,
} from './facts.js'

/** The terms of the issue, and the size of the file that they are about. */
export type StoredTerms = TaskTerms & { sizeBytes: number }

export interface Task {
  id: string
  unitId: string
  packageId: string
  method: Method
  fromVersion: string | null
  toVersion: string
  state: TaskState
  reason: string | null
  issuedAtMs: number
  issuedBy: string
  deadlineMs: number
  closedAtMs: number | null
  /** When the clock alone can move it; null = never again. */
  dueAtMs: number | null
  supersedes: string | null
  supersededBy: string | null
  linkId: string | null
  terms: StoredTerms
  moves: Move[]
  flags: string[]
  afterwards: Afterwards[]
}

const STATES: readonly TaskState[] = [...TASK_STATES, ...TASK_EXITS]

type TaskRow = Selectable<Database['task']>

function toTask(row: TaskRow): Task {
  const state = STATES.find((known) => known === row.state)
  const method = METHODS.find((known) => known === row.method)
  if (!state || !method) throw new Error(`task ${row.id}: unknown state or method in the database`)
  return {
    id: row.id,
    unitId: row.unit_id,
    packageId: row.package_id,
    method,
    fromVersion: row.from_version,
    toVersion: row.to_version,
    state,
    reason: row.reason,
    issuedAtMs: Number(row.issued_at_ms),
    issuedBy: row.issued_by,
    deadlineMs: Number(row.deadline_ms),
    closedAtMs: row.closed_at_ms === null ? null : Number(row.closed_at_ms),
    dueAtMs: row.due_at_ms === null ? null : Number(row.due_at_ms),
    supersedes: row.supersedes,
    supersededBy: row.superseded_by,
    linkId: row.link_id,
    terms: JSON.parse(row.terms) as StoredTerms,
    moves: JSON.parse(row.moves) as Move[],
    flags: JSON.parse(row.flags) as string[],
    afterwards: JSON.parse(row.afterwards) as Afterwards[],
  }
}

const toRow = (task: Task): Insertable<Database['task']> => ({
  id: task.id,
  unit_id: task.unitId,
  package_id: task.packageId,
  method: task.method,
  from_version: task.fromVersion,
  to_version: task.toVersion,
  state: task.state,
  reason: task.reason,
  issued_at_ms: task.issuedAtMs,
  issued_by: task.issuedBy,
  deadline_ms: task.deadlineMs,
  closed_at_ms: task.closedAtMs,
  due_at_ms: task.dueAtMs,
  supersedes: task.supersedes,
  superseded_by: task.supersededBy,
  link_id: task.linkId,
  terms: JSON.stringify(task.terms),
  moves: JSON.stringify(task.moves),
  flags: JSON.stringify(task.flags),
  afterwards: JSON.stringify(task.afterwards),
})

export const insertTasks = (db: Db, tasks: readonly Task[]): Promise<unknown> =>
  insertRows(db, 'task', tasks.map(toRow))

const SAVE_DERIVED = `update task set state = ?, reason = ?, from_version = ?, closed_at_ms = ?, due_at_ms = ?, moves = ?, flags = ?,
  afterwards = ? where id = ?`

/** Writes what derive() found, unless it says what is written already. */
export async function saveDerived(db: Db, before: Task, derived: Derived, dueAtMs: number | null): Promise<void> {
  const values = derivedValues(derived, dueAtMs)
  const had = derivedValues(before, before.dueAtMs)
  if (values.every((value, index) => value === had[index])) return
  await runText(db, SAVE_DERIVED, [...values, before.id])
}

const derivedValues = (of: Omit<Derived, 'standing' | 'flags'> & { flags: string[] }, dueAtMs: number | null) => [
  of.state,
  of.reason,
  of.fromVersion,
  of.closedAtMs,
  dueAtMs,
  JSON.stringify(of.moves),
  JSON.stringify(of.flags),
  JSON.stringify(of.afterwards.slice(0, AFTERWARDS_MAX)),
]

const SAVE_AFTERWARDS = 'update task set afterwards = ? where id = ?'

export async function saveAfterwards(db: Db, id: string, afterwards: readonly Afterwards[]): Promise<void> {
  await runText(db, SAVE_AFTERWARDS, [JSON.stringify(afterwards.slice(0, AFTERWARDS_MAX)), id])
}

const MARK_SUPERSEDED = 'update task set superseded_by = ? where id = ?'

export async function markSuperseded(db: Db, pairs: readonly { id: string; by: string }[]): Promise<void> {
  for (const { id, by } of pairs) await runText(db, MARK_SUPERSEDED, [by, id])
}

export async function findTask(db: Db, id: string): Promise<Task | null> {
  const row = await db.selectFrom('task').selectAll().where('id', '=', id).executeTakeFirst()
  return row ? toTask(row) : null
}

/** In the order of the ids given. */
export async function findTasks(db: Db, ids: readonly string[]): Promise<Task[]> {
  const found = new Map<string, Task>()
  for (const part of chunks(ids)) {
    const rows = await db.selectFrom('task').selectAll().where('id', 'in', part).execute()
    for (const row of rows) found.set(row.id, toTask(row))
  }
  return ids.flatMap((id) => found.get(id) ?? [])
}

/** The newest task of each unit, open or closed: the one that a new report of the unit concerns, if any. */
export async function findNewestTasks(db: Db, unitIds: readonly string[]): Promise<Map<string, Task>> {
  const newest = new Map<string, Task>()
  for (const part of chunks(unitIds)) {
    const list = inList(part)
    const ids = `select max(id) from task where unit_id in ${list.text} group by unit_id`
    const rows = await runText<TaskRow>(db, `select * from task where id in (${ids})`, list.values)
    for (const row of rows) newest.set(row.unit_id, toTask(row))
  }
  return newest
}

const TASK_AT = 'select * from task where unit_id = ? and issued_at_ms <= ? order by id desc limit 1'

/** The task in whose time that moment lies: the newest that had been issued then. */
export async function findTaskAt(db: Db, unitId: string, atMs: number): Promise<Task | null> {
  const [row] = await runText<TaskRow>(db, TASK_AT, [unitId, atMs])
  return row ? toTask(row) : null
}

/** Target versions of all tasks of these units so far. */
export async function findTargets(db: Db, unitIds: readonly string[]): Promise<Map<string, string[]>> {
  const targets = new Map<string, string[]>()
  for (const part of chunks(unitIds)) {
    const rows = await db
      .selectFrom('task')
      .select(['unit_id', 'to_version'])
      .distinct()
      .where('unit_id', 'in', part)
      .execute()
    for (const row of rows) targets.set(row.unit_id, [...(targets.get(row.unit_id) ?? []), row.to_version])
  }
  return targets
}

export interface TaskFilter {
  state?: string | undefined
  unit?: string | undefined
  group?: string | undefined
  package?: string | undefined
}

export async function listTasks(db: Db, filter: TaskFilter & Page): Promise<Task[]> {
  let query = db
    .selectFrom('task')
    .selectAll()
    .where('id', '>', filter.after ?? '')
    .orderBy('id')
    .limit(filter.limit + 1)
  if (filter.state === OPEN) query = query.where('closed_at_ms', 'is', null)
  else if (filter.state !== undefined) query = query.where('state', '=', filter.state)
  if (filter.unit !== undefined) query = query.where('unit_id', '=', filter.unit)
  if (filter.package !== undefined) query = query.where('package_id', '=', filter.package)
  const { group } = filter
  if (group !== undefined) {
    query = query.where('unit_id', 'in', (inner) =>
      inner.selectFrom('unit_group').select('unit_id').where('name', '=', group),
    )
  }
  return (await query.execute()).map(toTask)
}

export async function listOpenTasksOfPackage(db: Db, packageId: string): Promise<string[]> {
  const rows = await db
    .selectFrom('task')
    .select('id')
    .where('package_id', '=', packageId)
    .where('closed_at_ms', 'is', null)
    .execute()
  return rows.map((row) => row.id)
}

export async function listDueTasks(db: Db, nowMs: number, limit: number): Promise<string[]> {
  const rows = await db
    .selectFrom('task')
    .select('id')
    .where('closed_at_ms', 'is', null)
    .where('due_at_ms', '<=', nowMs)
    .orderBy('due_at_ms')
    .limit(limit)
    .execute()
  return rows.map((row) => row.id)
}

export interface Command {
  taskId: string
  maskedText: string
  encoding: 'GSM-7' | 'UCS-2'
  units: number
  segments: number
  cautions: { code: string; text: string }[]
  composedAtMs: number
}

export const insertCommands = (db: Db, commands: readonly Command[]): Promise<unknown> =>
  insertRows(
    db,
    'command',
    commands.map((command) => ({
      task_id: command.taskId,
      masked_text: command.maskedText,
      encoding: command.encoding,
      units: command.units,
      segments: command.segments,
      cautions: JSON.stringify(command.cautions),
      composed_at_ms: command.composedAtMs,
    })),
  )

export async function findCommands(db: Db, taskIds: readonly string[]): Promise<Map<string, Command>> {
  const found = new Map<string, Command>()
  for (const part of chunks(taskIds)) {
    const rows = await db.selectFrom('command').selectAll().where('task_id', 'in', part).execute()
    for (const row of rows) {
      found.set(row.task_id, {
        taskId: row.task_id,
        maskedText: row.masked_text,
        encoding: row.encoding === 'GSM-7' ? 'GSM-7' : 'UCS-2',
        units: row.units,
        segments: row.segments,
        cautions: JSON.parse(row.cautions) as Command['cautions'],
        composedAtMs: Number(row.composed_at_ms),
      })
    }
  }
  return found
}
