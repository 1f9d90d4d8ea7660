// Statements whose text is made once. A query builder's value is in its types and in texts that differ by their filters; for
// many rows of one form, and for what runs thousands of times a second, building the same text anew costs more than running it.
import { CompiledQuery, type Insertable } from 'kysely'
import type { Db } from './db.js'
import type { Database } from './schema.js'

/** Rows of one statement, the largest first: few texts, so that each is prepared once, and far under the limit of variables. */
const ROWS_AT_ONCE = [64, 8, 1]

/** Text of the INSERT by table and number of rows; the columns of a table are always the same ones in the same order. */
const inserts = new Map<string, string>()

function insertText(table: string, columns: readonly string[], rows: number): string {
  const name = `${table} ${rows} ${columns.join()}`
  let text = inserts.get(name)
  if (text === undefined) {
    const row = `(${columns.map(() => '?').join(', ')})`
    text = `insert into "${table}" (${columns.map((column) => `"${column}"`).join(', ')}) values ${Array(rows).fill(row).join(', ')}`
    inserts.set(name, text)
  }
  return text
}

/** @param rows all with the same columns in the same order, as one object literal makes them. */
export async function insertRows<Table extends keyof Database>(
  db: Db,
  table: Table,
  rows: readonly Insertable<Database[Table]>[],
): Promise<void> {
  if (rows.length === 0) return
  const columns = Object.keys(rows[0]!)
  let at = 0
  for (const size of ROWS_AT_ONCE) {
    for (; rows.length - at >= size; at += size) {
      const values: unknown[] = []
      for (let i = at; i < at + size; i += 1) values.push(...Object.values(rows[i]!))
      await db.executeQuery(CompiledQuery.raw(insertText(table, columns, size), values))
    }
  }
}

/** A statement with `?` for each value; returns its rows. */
export async function runText<Row = never>(db: Db, text: string, values: readonly unknown[] = []): Promise<Row[]> {
  return (await db.executeQuery<Row>(CompiledQuery.raw(text, values as unknown[]))).rows
}
