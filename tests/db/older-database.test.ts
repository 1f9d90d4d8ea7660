// A database that an older version of the server wrote is brought up to date: nothing of it is lost, and all of it reads.
import { readFileSync } from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { sql } from 'kysely'
import { beforeAll, describe, expect, it } from 'vitest'
import { migrations } from '../../migrations/index.js'
import { listEntries } from '../../src/audit/audit.store.js'
import { entryLine } from '../../src/audit/export.js'
import { exportEnd, exportHead } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import type { Db } from '../../src/db/db.js'
import { migrate } from '../../src/db/migrate.driver.js'
import { countHeld } from '../../src/hold/hold.store.js'
import { listLinks } from '../../src/links/link.store.js'
import { readCounts } from '../../src/metrics/counts.store.js'
import { listTasks } from '../../src/tasks/task.store.js'
import { loadTaskViews } from '../../src/tasks/task-view.store.js'
import { findByNumber, listUnits } from '../../src/units/unit.store.js'
import { freshStore } from './store.js'

const ROWS = readFileSync(path.join(import.meta.dirname, 'first-database.sql'), 'utf8')
const FIRST = '0001_start'
/** Some days after the rows were written: no deadline has passed. */
const NOW_MS = Date.parse('2026-11-27T00:00:00Z')
const page = { limit: 100 }

/** Tables as the first migration alone makes them, with the rows of that time in them. */
async function olderStore(): Promise<Db> {
  const { db, file } = await freshStore({ migrated: false })
  await migrate(db, { [FIRST]: migrations[FIRST]! })
  const raw = new BetterSqlite(file)
  raw.exec(ROWS)
  raw.close()
  return db
}
const allRows = async (db: Db, tables: readonly string[]) => {
  const found: Record<string, unknown[]> = {}
  for (const table of tables)
    found[table] = (await sql`select * from ${sql.table(table)} order by rowid`.execute(db)).rows
  return found
}
const tablesIn = (text: string) => [...new Set([...text.matchAll(/^insert into "(\w+)"/gm)].map((match) => match[1]!))]

describe('a database of the first version', () => {
  let tables: string[]
  beforeAll(() => {
    tables = tablesIn(ROWS)
    expect(tables).toHaveLength(16)
  })

  it('is brought up by the later migrations alone, in order, and keeps every row as it was', async () => {
    const db = await olderStore()
    const before = await allRows(db, tables)
    expect(Object.values(before).every((rows) => rows.length > 0)).toBe(true)
    expect(await migrate(db)).toEqual(Object.keys(migrations).filter((name) => name !== FIRST))
    expect(await allRows(db, tables)).toEqual(before)
    expect((await sql`pragma foreign_key_check`.execute(db)).rows).toEqual([])
    expect((await sql<{ integrity_check: string }>`pragma integrity_check`.execute(db)).rows[0]?.integrity_check).toBe(
      'ok',
    )
    expect(await migrate(db)).toEqual([])
  })

  it('shows its tasks, units and links as that version did', async () => {
    const db = await olderStore()
    await migrate(db)
    const tasks = await listTasks(db, page)
    const settings = { serverSecret: 'x'.repeat(64), publicUrl: 'http://127.0.0.1', behindProxy: false }
    const views = await loadTaskViews(db, tasks, settings, { seesSecrets: false, nowMs: NOW_MS })
    expect(views.map(({ method, state, reason, flags }) => [method, state, reason, flags.join()])).toEqual([
      ['air', 'confirmed', null, ''],
      ['air', 'fetched', null, 'from-version-unknown'],
      ['air', 'fetched', null, ''],
      ['air', 'queued', null, ''],
      ['air', 'cancelled', 'no need', ''],
      ['air', 'queued', null, ''],
      ['cable', 'fetched', null, ''],
      ['cable', 'verified', null, ''],
      ['air', 'cancelled', 'package-withdrawn', ''],
      ['air', 'cancelled', 'package-withdrawn', ''],
    ])
    expect(views[3]?.ledger?.acknowledged).toEqual([[0, 99_999]])
    expect(await listUnits(db, { ...page, group: 'depot' })).toHaveLength(12)
    expect(await findByNumber(db, 'phone', ['+441632960353'])).toHaveLength(1)
    expect(await listLinks(db, { ...page, live: { nowMs: NOW_MS } })).toHaveLength(6)
    expect(await countHeld(db, { nowMs: NOW_MS, sinceMs: NOW_MS })).toMatchObject({ openTasks: 6 })
    expect((await readCounts(db, NOW_MS)).units).toBe(12)
  })

  it('has a log that still verifies, and one changed byte of it does not', async () => {
    const db = await olderStore()
    await migrate(db)
    const entries = await listEntries(db, {}, { afterSeq: 0, limit: 1000 })
    const head = exportHead({ server: 's', exportedAt: '2026-11-27T00:00:00.000Z', filter: null, complete: true })
    const lines = [
      JSON.stringify(head),
      ...entries.map(entryLine),
      JSON.stringify(exportEnd(head, entries.length, entries.at(-1)!)),
    ]
    expect(await verifyExport(lines)).toMatchObject({ ok: true, complete: true, entries: 77 })
    const changed = lines.map((line, index) => (index === 40 ? line.replace('"action":"', '"action":"x') : line))
    expect(await verifyExport(changed)).toMatchObject({ ok: false, fault: { kind: 'changed', seq: 40 } })
  })
})

describe('lists of open tasks', () => {
  it('do not read the closed ones', async () => {
    const { db, file } = await freshStore()
    const planOf = (state: string): string => {
      const query = db.selectFrom('task').selectAll().where('id', '>', '').orderBy('id').limit(101)
      const filtered = state === 'open' ? query.where('closed_at_ms', 'is', null) : query.where('state', '=', state)
      const { sql: text, parameters } = filtered.compile()
      const raw = new BetterSqlite(file, { readonly: true })
      try {
        const rows = raw.prepare<unknown[], { detail: string }>(`explain query plan ${text}`).all(...parameters)
        return rows.map(({ detail }) => detail).join()
      } finally {
        raw.close()
      }
    }
    expect(planOf('open')).toContain('USING INDEX task_open_id')
    expect(planOf('fetched')).toContain('USING INDEX task_state')
  })
})
