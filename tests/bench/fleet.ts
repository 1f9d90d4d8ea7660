// A fleet put straight into the stopped server's database, and the plain inserts that the server's own work is held against.
import { copyFileSync } from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { testImei, testProfile } from '../support/app.js'
import type { ServedApp } from '../support/serve.js'

export const databaseOf = (served: ServedApp): string => path.join(served.dataFolder, 'firmhand.db')

/** A model and a released package for it; returns the package's id. */
export async function addPackage(served: ServedApp, version: string): Promise<string> {
  await served.call('PUT', '/models/sill-cam', testProfile())
  const added = await served.call(
    'POST',
    `/packages?model=sill-cam&version=${version}&fileName=sill.bin`,
    Buffer.from(version),
  )
  await served.call('POST', `/packages/${added.body.id}/release`, {})
  return added.body.id
}

/** Stops the server, puts units in by groups `fleet-0`, `fleet-1` … of the sizes given, and starts it again. */
export async function addFleet(served: ServedApp, sizes: readonly number[]): Promise<void> {
  await served.terminate()
  const db = new BetterSqlite(databaseOf(served))
  const unit = db.prepare(
    `insert into unit (id, imei, phone, model_id, time_zone, notes, version, version_observed_at_ms, retired, created_at_ms)
     values (?, ?, ?, 'sill-cam', 'UTC', '', '1.0.0', 1, 0, 1)`,
  )
  const group = db.prepare('insert into unit_group (unit_id, name) values (?, ?)')
  let count = 0
  db.transaction(() => {
    for (const [index, size] of sizes.entries()) {
      for (let n = 0; n < size; n += 1, count += 1) {
        const id = `u_${String(count).padStart(21, '0')}`
        unit.run(id, testImei(count), `+4670${String(count).padStart(7, '0')}`)
        group.run(id, `fleet-${index}`)
      }
    }
  })()
  db.pragma('wal_checkpoint(truncate)')
  db.close()
  await served.start()
}

/** In the order in which references between them allow. */
const TABLES = ['link', 'task', 'link_task', 'command', 'audit'] as const
const BATCH_ROWS = 5000

/** Copies the database as it is: where the peer will put the rows in, with the same tables, indexes and neighbours. */
export async function copyDatabase(served: ServedApp, to: string): Promise<void> {
  await served.terminate()
  const db = new BetterSqlite(databaseOf(served))
  db.pragma('wal_checkpoint(truncate)')
  db.close()
  copyFileSync(databaseOf(served), to)
  await served.start()
}

/**
 * The very rows that are in the server's database and not in the copy, put into the copy by prepared statements in one
 * transaction, with the server's own pragmas. Only the inserts and the commit are timed, not the reading of the rows.
 */
export function insertSameRows(served: ServedApp, copy: string): { ms: number; rows: number } {
  const from = new BetterSqlite(databaseOf(served), { readonly: true })
  const to = new BetterSqlite(copy)
  to.pragma('journal_mode = WAL')
  to.pragma('synchronous = FULL')
  to.pragma('foreign_keys = ON')
  to.pragma('wal_autocheckpoint = 8000')
  to.pragma('cache_size = -65536')
  let ms = 0
  let count = 0
  const timed = (work: () => void) => {
    const startMs = performance.now()
    work()
    ms += performance.now() - startMs
  }
  timed(() => to.exec('begin immediate'))
  for (const table of TABLES) {
    const last = to.prepare(`select max(rowid) as at from "${table}"`).pluck().get() as number | null
    const columns = to.pragma(`table_info("${table}")`) as { name: string }[]
    const insert = to.prepare(`insert into "${table}" values (${columns.map(() => '?').join(', ')})`)
    const read = from
      .prepare(`select rowid, * from "${table}" where rowid > ? order by rowid limit ${BATCH_ROWS}`)
      .raw()
    for (let after = last ?? 0; ; ) {
      const rows = read.all(after) as unknown[][]
      if (rows.length === 0) break
      after = rows.at(-1)![0] as number
      for (const row of rows) row.shift()
      timed(() => {
        for (const row of rows) insert.run(row)
      })
      count += rows.length
    }
  }
  timed(() => to.exec('commit'))
  from.close()
  to.close()
  return { ms, rows: count }
}
