// Collects the facts of many tasks at once, from where each kind is recorded. What derive() works on.
import type { Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import { inList, insertRows, runText } from '../db/raw.driver.js'
import type { Database } from '../db/schema.js'
import { findLedgers, type Ledger } from '../downloads/ledger.store.js'
import { coversWhole, sizeOf, union } from '../downloads/span.js'
import { listHoldSpans } from '../hold/hold.store.js'
import { newId } from '../ids.js'
import { chunks } from '../units/unit.store.js'
import type { Fact, Timing } from './facts.js'
import type { Task } from './task.store.js'

/**
 * Reports that are looked at per task, the earliest and the latest half of this. Measured: deriving from 4,000 costs the
 * writing thread 90 to 160 ms a report, so that a platform that reports every minute would stop the house in three days.
 */
const CHECKINS_MAX = 1000

/** Reports from before the issue that are looked at: the last one that no other contradicts is wanted. */
const CHECKINS_BEFORE_MAX = 100

type CheckinFact = Extract<Fact, { kind: 'checkin' }>

interface CheckinRow {
  id: string
  unit_id: string
  version: string
  observed_at_ms: number | string
  received_at_ms: number | string
  source: string
  timing: string
  answers_query_sent_at_ms: number | string | null
  digest: string | null
}

const toCheckin = (row: CheckinRow): CheckinFact => ({
  kind: 'checkin',
  id: row.id,
  version: row.version,
  observedAtMs: Number(row.observed_at_ms),
  receivedAtMs: Number(row.received_at_ms),
  source: row.source,
  timing: row.timing as Timing,
  answersQuerySentAtMs: row.answers_query_sent_at_ms === null ? null : Number(row.answers_query_sent_at_ms),
  digest: row.digest,
})

const CHECKIN_COLUMNS = [
  'id',
  'unit_id',
  'version',
  'observed_at_ms',
  'received_at_ms',
  'source',
  'timing',
  'answers_query_sent_at_ms',
  'digest',
] as const

/** Tasks of one query for their reports: at CHECKINS_MAX rows each, that many fit into memory. */
const TASKS_AT_ONCE = 100
const HALF = CHECKINS_MAX / 2

/**
 * The first reports from the issue on of each of these tasks, or the last ones before it: one query for many tasks, and yet
 * no more rows are read of a unit than are wanted, however long its history is.
 */
function reportsOf(part: 'since' | 'before', list: string): string {
  const [compare, order, limit] = part === 'since' ? ['>=', 'asc', HALF] : ['<', 'desc', CHECKINS_BEFORE_MAX]
  return `select task.id as task_id, ${CHECKIN_COLUMNS.map((column) => `checkin.${column}`).join(', ')}
    from task join checkin on checkin.id in (
      select wanted.id from checkin as wanted
      where wanted.unit_id = task.unit_id and wanted.observed_at_ms ${compare} task.issued_at_ms
      order by wanted.observed_at_ms ${order} limit ${limit})
    where task.id in ${list}`
}

/** Reports observed from the issue on, and the last ones before it, by task. */
async function checkinsOf(db: Db, tasks: readonly Task[]): Promise<Map<string, CheckinFact[]>> {
  const found = new Map<string, CheckinFact[]>(tasks.map((task) => [task.id, []]))
  for (const part of chunks(tasks, TASKS_AT_ONCE)) {
    const ids = inList(part.map((task) => task.id))
    const since = new Map<string, number>()
    for (const row of await runText<CheckinRow & { task_id: string }>(db, reportsOf('before', ids.text), ids.values))
      found.get(row.task_id)!.push(toCheckin(row))
    for (const row of await runText<CheckinRow & { task_id: string }>(db, reportsOf('since', ids.text), ids.values)) {
      found.get(row.task_id)!.push(toCheckin(row))
      since.set(row.task_id, (since.get(row.task_id) ?? 0) + 1)
    }
    for (const task of part) {
      if ((since.get(task.id) ?? 0) === HALF) found.set(task.id, await withLatest(db, task, found.get(task.id)!))
    }
  }
  return found
}

/** For a task with more reports than are looked at from the start: the latest ones too. */
async function withLatest(db: Db, task: Task, known: CheckinFact[]): Promise<CheckinFact[]> {
  const of = db.selectFrom('checkin').select(CHECKIN_COLUMNS).where('unit_id', '=', task.unitId)
  const last = await of
    .where('observed_at_ms', '>=', task.issuedAtMs)
    .orderBy('observed_at_ms', 'desc')
    .limit(HALF)
    .execute()
  // What a state rests on stays known, however many reports come after it.
  const evidence = last.length < HALF ? [] : await of.where('id', 'in', evidenceIds(task)).execute()
  const facts = [...known, ...[...evidence, ...last].map(toCheckin)]
  return [...new Map(facts.map((fact) => [fact.id, fact])).values()]
}

const evidenceIds = (task: Task): string[] => task.moves.map((move) => move.evidence.id)

/** null where the far end's count could not be read: then nothing follows from its absence. */
function countedBytes(ledger: Ledger): number | null {
  const bytes = sizeOf(union(ledger.acknowledged, ledger.inferred))
  return bytes === 0 && ledger.flags.includes('not-counted') ? null : bytes
}

/** @param sizeBytes of the package, for whether every byte was sent at least once. */
export const ledgerFact = (ledger: Ledger, sizeBytes: number): Fact => ({
  kind: 'ledger',
  id: ledger.linkId,
  acknowledgedBytes: countedBytes(ledger),
  sentWhole: coversWhole(ledger.sent, sizeBytes),
  firstAskedAtMs: ledger.firstAskedAtMs,
  lastByteAtMs: ledger.lastByteAtMs,
  completeAtMs: ledger.completeAtMs,
  completeGrade: ledger.completeGrade,
  budgetSpentAtMs: ledger.budgetSpentAtMs,
})

type Attest = Extract<Fact, { kind: 'attest' }>

function toFact(row: { id: string; kind: string; at_ms: number | string; actor_id: string; detail: string }): Fact {
  const common = { id: row.id, atMs: Number(row.at_ms), by: row.actor_id }
  const detail = JSON.parse(row.detail) as { state?: Attest['state']; reason?: string; digest?: string }
  switch (row.kind) {
    case 'attest':
      return {
        kind: 'attest',
        ...common,
        state: detail.state!,
        reason: (detail.reason ?? null) as Attest['reason'],
        digest: detail.digest ?? null,
      }
    case 'cancel':
      return { kind: 'cancel', ...common, reason: detail.reason ?? null }
    case 'sent':
    case 'supersede':
      return { kind: row.kind, ...common }
    case 'withdrawn':
    case 'copied':
      return { kind: row.kind, id: common.id, atMs: common.atMs }
    default:
      throw new Error(`task fact ${row.id}: unknown kind in the database`)
  }
}

export interface Gathered {
  facts: Fact[]
  ledger: Ledger | null
}

/** The facts of these tasks, by task id. */
export async function gatherFacts(db: Db, tasks: readonly Task[]): Promise<Map<string, Gathered>> {
  const gathered = new Map<string, Gathered>()
  if (tasks.length === 0) return gathered
  // A hand task's copy link serves many: its ledger proves nothing about one unit; `copied` facts are stored instead.
  const airLinks = tasks.flatMap((task) => (task.method === 'air' && task.linkId !== null ? [task.linkId] : []))
  const ledgers = await findLedgers(db, airLinks)
  for (const task of tasks) {
    const ledger = task.method === 'air' && task.linkId !== null ? (ledgers.get(task.linkId) ?? null) : null
    gathered.set(task.id, { facts: ledger ? [ledgerFact(ledger, task.terms.sizeBytes)] : [], ledger })
  }
  for (const part of chunks(tasks.map((task) => task.id))) {
    const list = inList(part)
    const text = `select * from task_fact where task_id in ${list.text} order by id`
    const rows = await runText<Selectable<Database['task_fact']>>(db, text, list.values)
    for (const row of rows) gathered.get(row.task_id)!.facts.push(toFact(row))
  }
  const holds = await listHoldSpans(db, Math.min(...tasks.map((task) => task.issuedAtMs)))
  const held = holds.map((hold): Fact => ({ kind: 'held', ...hold }))
  for (const [id, checkins] of await checkinsOf(db, tasks)) gathered.get(id)!.facts.push(...held, ...checkins)
  return gathered
}

export type TaskFactKind = 'sent' | 'attest' | 'cancel' | 'supersede' | 'withdrawn' | 'copied'

export interface NewTaskFact {
  taskId: string
  kind: TaskFactKind
  atMs: number
  actorId: string
  detail: Record<string, unknown>
}

export const insertTaskFact = (db: Db, fact: NewTaskFact): Promise<unknown> => insertTaskFacts(db, [fact])

export const insertTaskFacts = (db: Db, facts: readonly NewTaskFact[]): Promise<unknown> =>
  insertRows(
    db,
    'task_fact',
    facts.map((fact) => ({
      id: newId('f', fact.atMs),
      task_id: fact.taskId,
      kind: fact.kind,
      at_ms: fact.atMs,
      actor_id: fact.actorId,
      detail: JSON.stringify(fact.detail),
    })),
  )
