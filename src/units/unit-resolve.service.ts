// The rows of a list beside the units that are stored: what each of them would do. Slice by slice, so that whoever shares
// the thread gets a turn. Done where the list is judged, and again by the writer if the record changed since.
import type { Finding } from '../csv/finding.js'
import type { Db } from '../db/db.js'
import type { Scratch, ScratchRow } from './import-scratch.store.js'
import { findByNumber, findOpenTasks, findUnits, type Unit } from './unit.store.js'
import { type Plan, planRow } from './unit-plan.js'

/** Rows between two turns of the event loop: some ten milliseconds of work. */
export const SLICE_ROWS = 500
const SQL_SLICE_ROWS = 2000

const turn = () => new Promise<void>((resolve) => setImmediate(resolve))

/** Calls `work` for rows first to last, slice after slice. */
export async function bySlices(lastN: number, work: (first: number, last: number) => void | Promise<void>) {
  for (let first = 1; first <= lastN; first += SQL_SLICE_ROWS) {
    await work(first, first + SQL_SLICE_ROWS - 1)
    await turn()
  }
}

export async function resolveRows(db: Db, scratch: Scratch): Promise<void> {
  scratch.startAnew()
  for (let n = 0; ; ) {
    const rows = scratch.rowsAfter(n, SLICE_ROWS)
    if (rows.length === 0) break
    scratch.plan(await planSlice(db, rows))
    n = rows.at(-1)!.n
    await turn()
  }
  const lastN = scratch.lastN()
  await bySlices(lastN, (first, last) => scratch.refuseDoubled('unit_id', first, last))
  for (const column of ['phone', 'iccid'] as const) {
    await bySlices(lastN, (first, last) => scratch.cautionShared(column, first, last))
    await bySlices(lastN, async (first, last) =>
      scratch.caution(await sharedWithStored(db, scratch, column, { first, last })),
    )
  }
}

async function planSlice(db: Db, rows: ScratchRow[]): Promise<{ n: number; plan: Plan }[]> {
  const names = rows.flatMap(({ imei, serial }) => [imei, serial]).filter((name) => name !== null)
  const units = await findUnits(db, names)
  const plans = rows.map((row) => ({ n: row.n, row, plan: planRow(row, (name) => units.get(name)) }))
  const touching = plans.flatMap(({ plan }) => (touchesTask(plan) ? [plan.before.id] : []))
  const open = touching.length === 0 ? new Map<string, string>() : await findOpenTasks(db, touching)
  return plans.map(({ n, row, plan }) => {
    const task = touchesTask(plan) ? open.get(plan.before.id) : undefined
    return { n, plan: task === undefined ? plan : openTask(row, plan, task) }
  })
}

type Change = Extract<Plan, { action: 'change' }>

/** The same rule as for one unit: no other model and no retirement while a task is open. */
const touchesTask = (plan: Plan): plan is Change =>
  plan.action === 'change' && (plan.before.modelId !== plan.after.modelId || plan.after.retired)

function openTask(row: ScratchRow, plan: Plan, task: string): Plan {
  const { before, after } = plan as Change
  const [column, value] = after.retired ? ['retired', 'yes'] : ['model', after.modelId]
  const detail = `The unit has the open task ${task}: cancel it before the unit is retired or changes its model.`
  return { action: 'refuse', before, faults: [{ line: row.line, column, value, code: 'open-task', detail }] }
}

async function sharedWithStored(
  db: Db,
  scratch: Scratch,
  column: 'phone' | 'iccid',
  span: { first: number; last: number },
): Promise<Finding[]> {
  const rows = scratch.numbers(column, span)
  const own = new Map(rows.map(({ value, unitId }) => [value, unitId]))
  const stored = new Map<string, string>()
  const numbers = [...own.keys()]
  for (const { id, value } of await findByNumber(db, column, numbers)) {
    // Units that the list is about end up with what the list says, and were compared with each other.
    if (own.get(value) !== id && !scratch.namesUnit(id)) stored.set(value, id)
  }
  return rows.flatMap(({ line, value }) => {
    const other = stored.get(value)
    if (other === undefined) return []
    const detail = `Unit ${other} has the same: two units cannot use one SIM.`
    return [{ line, column, value, code: `${column}-shared`, detail }]
  })
}

/** Whether a change in the plan is no longer allowed: a task was issued meanwhile. */
export async function hasOpenTask(db: Db, changes: readonly { before: Unit; after: Unit }[]): Promise<boolean> {
  const touching = changes.filter(({ before, after }) => before.modelId !== after.modelId || after.retired)
  if (touching.length === 0) return false
  const open = await findOpenTasks(
    db,
    touching.map(({ before }) => before.id),
  )
  return open.size > 0
}
