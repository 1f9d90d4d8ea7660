// The rows of one list while they are judged, in a database file of their own: a list of any length needs no memory, the
// record is not touched before all is known, and what a crash leaves is one file that the next start sweeps away.
// Only one thread has it open at a time.
import BetterSqlite from 'better-sqlite3'
import type { Finding } from '../csv/finding.js'
import type { UnitInput } from './unit.js'
import type { Unit } from './unit.store.js'
import type { Plan } from './unit-plan.js'
import type { JudgedRow } from './unit-row.js'

export type Action = 'create' | 'change' | 'unchanged' | 'refuse'

export interface ScratchRow {
  n: number
  line: number
  imei: string | null
  serial: string | null
  given: Partial<UnitInput>
}
export interface PlannedRow {
  n: number
  before: Unit | null
  after: UnitInput
  changed: string[]
}
export interface Counts {
  read: number
  created: number
  updated: number
  unchanged: number
  rejectedRows: number
}

const SCHEMA = `
  create table row (n integer primary key, line integer, imei text, serial text, phone text, iccid text, given text,
    bad integer default 0, action text, unit_id text, plan text);
  create table finding (level text, line integer, col text, value text, code text, detail text, phase integer);
  create index finding_line on finding (level, line);
  create index row_imei on row (imei) where imei is not null;
  create index row_serial on row (serial) where serial is not null;
  create index row_phone on row (phone) where phone is not null;
  create index row_iccid on row (iccid) where iccid is not null;
  create index row_unit on row (unit_id) where unit_id is not null`

/** Findings of the list alone; of the list beside the record: these are made anew when the record has changed. */
const [BY_ITSELF, BESIDE] = [1, 2]

/** What the writer needs of a plan, and no more: it reads it while everybody waits. */
function keptOf(plan: Plan): string | null {
  if (plan.action === 'create') return JSON.stringify({ after: plan.after })
  if (plan.action !== 'change') return null
  return JSON.stringify({ before: plan.before, after: plan.after, changed: plan.changed })
}

export type Scratch = ReturnType<typeof openScratch>

export function openScratch(file: string) {
  const db = new BetterSqlite(file)
  // It is thrown away in any case: nothing has to survive a crash, and a list that cannot be judged is sent again.
  db.pragma('journal_mode = off')
  db.pragma('synchronous = off')
  const isNew = db.prepare("select 1 from sqlite_master where name = 'row'").get() === undefined
  if (isNew) db.exec(SCHEMA)
  const addRow = db.prepare('insert into row (line, imei, serial, given, bad) values (?, ?, ?, ?, ?)')
  const addFinding = db.prepare('insert into finding values (?, ?, ?, ?, ?, ?, ?)')
  const setPlan = db.prepare(
    'update row set action = ?, unit_id = ?, phone = ?, iccid = ?, plan = ?, bad = max(bad, ?) where n = ?',
  )
  const note = (level: 'rejected' | 'caution', phase: number, findings: readonly Finding[]) => {
    for (const { line, column, value, code, detail } of findings)
      addFinding.run(level, line, column, value, code, detail, phase)
  }
  const rowsAfter = db.prepare(
    'select n, line, imei, serial, given from row where n > ? and bad = 0 order by n limit ?',
  )
  const planned = db.prepare('select n, plan from row where n > ? and bad = 0 and action = ? order by n limit ?')
  const byUnit = db.prepare('select 1 from row where unit_id = ? limit 1')
  const inOne = <A extends unknown[]>(work: (...args: A) => void) => db.transaction(work)

  return {
    addRows: inOne((rows: readonly JudgedRow[]) => {
      for (const row of rows) {
        const isBad = row.faults.length > 0
        addRow.run(row.line, row.imei, row.serial, JSON.stringify(row.given), isBad ? BY_ITSELF : 0)
        note('rejected', BY_ITSELF, row.faults)
        note('caution', BY_ITSELF, row.cautions)
      }
    }),
    addFindings: inOne((level: 'rejected' | 'caution', findings: readonly Finding[]) =>
      note(level, BY_ITSELF, findings),
    ),
    /** Forgets what was found beside the record. */
    startAnew: inOne(() => {
      db.prepare('delete from finding where phase = ?').run(BESIDE)
      db.exec(`update row set action = null, unit_id = null, phone = null, iccid = null, plan = null,
        bad = case when bad = ${BESIDE} then 0 else bad end`)
    }),
    lastN: (): number => (db.prepare('select max(n) as n from row').get() as { n: number | null }).n ?? 0,
    /** Good rows after `n`, in order. */
    rowsAfter: (n: number, limit: number): ScratchRow[] =>
      rowsAfter
        .all(n, limit)
        .map((row) => ({ ...(row as ScratchRow), given: JSON.parse((row as { given: string }).given) })),
    plan: inOne((rows: readonly { n: number; plan: Plan }[]) => {
      for (const { n, plan } of rows) {
        const before = 'before' in plan ? plan.before : null
        const after = 'after' in plan ? plan.after : before
        const shown = plan.action === 'refuse' || after?.retired ? null : after
        const isBad = plan.action === 'refuse'
        setPlan.run(
          plan.action,
          before?.id ?? null,
          shown?.phone ?? null,
          shown?.iccid ?? null,
          keptOf(plan),
          isBad ? BESIDE : 0,
          n,
        )
        if (plan.action === 'refuse') note('rejected', BESIDE, plan.faults)
        else note('caution', BESIDE, plan.cautions)
      }
    }),
    /** Rows from `first` to `last` whose unit another row names too, by this column. Both are refused: which one holds? */
    refuseDoubled: inOne((column: 'imei' | 'serial' | 'unit_id', first: number, last: number) => {
      // Rows that name the same number are told so before it is known whether their unit is stored.
      const phase = column === 'unit_id' ? BESIDE : BY_ITSELF
      const other = `(select b.line from row b where b.${column} = a.${column} and b.n <> a.n order by b.n limit 1)`
      const here = `a.n between ? and ? and a.${column} is not null and ${other} is not null`
      const fresh = column === 'unit_id' ? 'and a.bad = 0' : ''
      db.prepare(
        `insert into finding select 'rejected', a.line, '${column === 'serial' ? 'serial' : 'imei'}',
          ${column === 'serial' ? 'a.serial' : 'coalesce(a.imei, a.serial)'}, 'doubled',
          'Line ' || ${other} || ' is about the same unit: keep the row that is right.', ${phase}
         from row a where ${here} ${fresh}`,
      ).run(first, last)
      db.prepare(`update row as a set bad = max(bad, ${phase}) where ${here}`).run(first, last)
    }),
    /** Phone numbers or ICCIDs that good rows from `first` to `last` end up with, and of which unit. */
    numbers: (
      column: 'phone' | 'iccid',
      span: { first: number; last: number },
    ): { line: number; value: string; unitId: string | null }[] =>
      db
        .prepare(
          `select line, ${column} as value, unit_id as unitId from row
           where n between ? and ? and ${column} is not null and bad = 0`,
        )
        .all(span.first, span.last) as { line: number; value: string; unitId: string | null }[],
    /** Which of these units the list is about. */
    namesUnit: (unitId: string): boolean => byUnit.get(unitId) !== undefined,
    cautionShared: inOne((column: 'phone' | 'iccid', first: number, last: number) => {
      const other = `(select b.line from row b where b.${column} = a.${column} and b.n <> a.n and b.bad = 0 order by b.n limit 1)`
      db.prepare(
        `insert into finding select 'caution', a.line, '${column}', a.${column}, '${column}-shared',
          'Line ' || ${other} || ' has the same: two units cannot use one SIM.', ${BESIDE}
         from row a where a.n between ? and ? and a.${column} is not null and a.bad = 0 and ${other} is not null`,
      ).run(first, last)
    }),
    caution: inOne((findings: readonly Finding[]) => note('caution', BESIDE, findings)),
    counts: (): Counts => {
      const counts = { read: 0, created: 0, updated: 0, unchanged: 0, rejectedRows: 0 }
      const rows = db.prepare('select bad > 0 as bad, action, count(*) as rows from row group by 1, 2').all() as {
        bad: number
        action: Action | null
        rows: number
      }[]
      for (const { bad, action, rows: some } of rows) {
        counts.read += some
        if (bad > 0) counts.rejectedRows += some
        else if (action === 'create') counts.created += some
        else if (action === 'change') counts.updated += some
        else counts.unchanged += some
      }
      return counts
    },
    hasRejected: (): boolean =>
      db.prepare("select 1 from finding where level = 'rejected' limit 1").get() !== undefined,
    /** What is to be written, in the order of the list. */
    planned: (action: 'create' | 'change', afterN: number, limit: number): PlannedRow[] =>
      planned.all(afterN, action, limit).map((row) => {
        const { n, plan } = row as { n: number; plan: string }
        return { before: null, changed: [], ...JSON.parse(plan), n }
      }),
    findings: (level: 'rejected' | 'caution'): IterableIterator<Finding> =>
      db
        .prepare('select line, col as column, value, code, detail from finding where level = ? order by line, rowid')
        .iterate(level) as IterableIterator<Finding>,
    close: () => {
      db.close()
    },
  }
}
