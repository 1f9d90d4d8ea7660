// Statements whose text is made once. A query builder's value is in its types and in texts that differ by their filters; for
// many rows of one form, and for what runs thousands of times a second, building the same text anew costs more than running it.
import { CompiledQuery, type Insertable, type SqliteDatabase } from 'kysely'
import type { Db } from './db.js'
import type { Database } from './schema.js'

/**
 * Databases behind the handles through which statements go straight to the driver. The query builder's way to it costs more
 * than most of them: several promises and a queue for the connection.
 */
const straight = new WeakMap<Db, SqliteDatabase>()

/** @param handle of a connection that no other caller can get while it is used: its statements wait for nobody. */
export function goStraight(handle: Db, database: SqliteDatabase): void {
  straight.set(handle, database)
}

/** Rows of one statement, the largest first: few texts, so that each is prepared once, and far under the limit of variables. */
const ROWS_AT_ONCE = [64, 8, 1]

/** Text of the INSERT by table, number of rows and tail; the columns of a table are always the same ones in the same order. */
const inserts = new Map<string, string>()

function insertText(table: string, columns: readonly string[], rows: number, tail: string): string {
  const name = `${table} ${rows} ${columns.join()} ${tail}`
  let text = inserts.get(name)
  if (text === undefined) {
    const row = `(${columns.map(() => '?').join(', ')})`
    const names = columns.map((column) => `"${column}"`).join(', ')
    text = `insert into "${table}" (${names}) values ${Array(rows).fill(row).join(', ')} ${tail}`
    inserts.set(name, text)
  }
  return text
}

/**
 * @param rows all with the same columns in the same order, as one object literal makes them.
 * @param tail what follows the values; its rows, if it has any, are returned.
 */
export async function insertRows<Table extends keyof Database, Row = never>(
  db: Db,
  table: Table,
  rows: readonly Insertable<Database[Table]>[],
  tail = '',
): Promise<Row[]> {
  const returned: Row[] = []
  if (rows.length === 0) return returned
  const columns = Object.keys(rows[0]!)
  const database = straight.get(db)
  if (database) {
    // Row by row: for a statement of many rows SQLite copies every page before it changes, so as to be able to take it back.
    const statement = database.prepare(insertText(table, columns, 1, tail))
    for (const row of rows) {
      const values = Object.values(row)
      if (statement.reader) returned.push(...(statement.all(values) as Row[]))
      else statement.run(values)
    }
    return returned
  }
  let at = 0
  for (const size of ROWS_AT_ONCE) {
    for (; rows.length - at >= size; at += size) {
      const values: unknown[] = []
      for (let i = at; i < at + size; i += 1) values.push(...Object.values(rows[i]!))
      for (const row of await runText<Row>(db, insertText(table, columns, size, tail), values)) returned.push(row)
    }
  }
  return returned
}

/**
 * The list behind IN, of a length that is a power of two, the last value repeated: few texts for lists of any length.
 * @param values at least one
 */
export function inList(values: readonly string[]): { text: string; values: string[] } {
  let length = 1
  while (length < values.length) length *= 2
  const padded = [...values, ...Array<string>(length - values.length).fill(values.at(-1)!)]
  return { text: `(${'?, '.repeat(length - 1)}?)`, values: padded }
}

/** A statement with `?` for each value; returns its rows. */
export async function runText<Row = never>(db: Db, text: string, values: readonly unknown[] = []): Promise<Row[]> {
  const database = straight.get(db)
  if (!database) return (await db.executeQuery<Row>(CompiledQuery.raw(text, values as unknown[]))).rows
  const statement = database.prepare(text)
  if (statement.reader) return statement.all(values) as Row[]
  statement.run(values)
  return []
}
