// The embedded store itself: pragmas in force, migrations whole or not at all, rules that the database holds by itself.
import { readFileSync } from 'node:fs'
import { type Kysely, sql } from 'kysely'
import { describe, expect, it } from 'vitest'
import { migrations } from '../../migrations/index.js'
import type { Db } from '../../src/db/db.js'
import { migrate } from '../../src/db/migrate.driver.js'
import { openSqlite } from '../../src/db/sqlite.driver.js'
import { freshStore, insertTask, insertUnit } from './store.js'

const pragma = async (db: Db, name: string): Promise<unknown> => {
  const { rows } = await sql<Record<string, unknown>>`pragma ${sql.raw(name)}`.execute(db)
  return Object.values(rows[0] ?? {})[0]
}
const tablesOf = async (db: Db): Promise<string[]> => {
  const { rows } = await sql<{ name: string }>`
    select name from sqlite_schema where type = 'table' and name not like 'sqlite%' order by name`.execute(db)
  return rows.map(({ name }) => name)
}

describe('the connection in use', () => {
  // Meanings of the numbers: SQLite's documentation of its PRAGMA statements.
  it('writes ahead, flushes at every commit, checks foreign keys and waits for locks', async () => {
    const { db } = await freshStore()
    expect(await pragma(db, 'journal_mode')).toBe('wal')
    expect(await pragma(db, 'synchronous')).toBe(2) // FULL
    expect(await pragma(db, 'foreign_keys')).toBe(1)
    expect(await pragma(db, 'busy_timeout')).toBe(10_000)
    expect(await pragma(db, 'journal_size_limit')).toBe(64 * 1024 * 1024)
  })

  it('keeps them while a unit of work runs', async () => {
    const { db } = await freshStore()
    await db.connection().execute(async (connection) => {
      await sql`begin immediate`.execute(connection)
      expect(await pragma(connection, 'synchronous')).toBe(2)
      expect(await pragma(connection, 'foreign_keys')).toBe(1)
      await sql`rollback`.execute(connection)
    })
  })

  it('cannot write when it is for reading, and sees what is committed', async () => {
    const { db, file } = await freshStore()
    const read = openSqlite(file, 'read')
    try {
      await insertUnit(db, 'u1')
      expect(await read.selectFrom('unit').select('id').execute()).toEqual([{ id: 'u1' }])
      expect(await pragma(read, 'busy_timeout')).toBe(10_000)
      await expect(insertUnit(read, 'u2')).rejects.toMatchObject({ code: 'SQLITE_READONLY' })
      await expect(sql`drop table unit`.execute(read)).rejects.toMatchObject({ code: 'SQLITE_READONLY' })
      await expect(sql`pragma user_version = 7`.execute(read)).rejects.toMatchObject({ code: 'SQLITE_READONLY' })
    } finally {
      await read.destroy()
    }
  })
})

describe('migrations', () => {
  it('bring a fresh file up once, and change nothing the second time', async () => {
    const { db } = await freshStore({ migrated: false })
    expect(await migrate(db)).toEqual(Object.keys(migrations))
    const tables = await tablesOf(db)
    expect(await migrate(db)).toEqual([])
    expect(await tablesOf(db)).toEqual(tables)
  })

  const broken = {
    ...migrations,
    '9002_half': {
      up: async (db: Kysely<unknown>) => {
        await db.schema.createTable('half_way').addColumn('id', 'text').execute()
        await sql`insert into server (id, created_at_ms) values ('half', 1)`.execute(db)
        throw new Error('fails half way')
      },
    },
  }

  it('leave a fresh file empty when one of them fails', async () => {
    const { db } = await freshStore({ migrated: false })
    await expect(migrate(db, broken)).rejects.toThrow('it is as it was')
    // The two tables of the migrator itself are made beforehand, outside its transaction.
    expect((await tablesOf(db)).filter((name) => !name.startsWith('kysely_'))).toEqual([])
    expect(await migrate(db)).toEqual(Object.keys(migrations))
  })

  it('leave a filled file as it was when a later one fails, and go on when it is mended', async () => {
    const { db } = await freshStore()
    await insertUnit(db, 'u1')
    const tables = await tablesOf(db)
    await expect(migrate(db, broken)).rejects.toThrow('it is as it was')
    expect(await tablesOf(db)).toEqual(tables)
    expect(await db.selectFrom('server').selectAll().execute()).toEqual([])
    expect(await db.selectFrom('unit').select('id').execute()).toEqual([{ id: 'u1' }])
    const mended = {
      ...migrations,
      '9002_half': { up: (d: Kysely<unknown>) => d.schema.createTable('half_way').addColumn('id', 'text').execute() },
    }
    expect(await migrate(db, mended)).toEqual(['9002_half'])
    expect(await tablesOf(db)).toContain('half_way')
  })

  it('refuse a file of a newer program rather than guess', async () => {
    const { db } = await freshStore()
    const newer = { ...migrations, '9002_newer': { up: async () => undefined } }
    await migrate(db, newer)
    await expect(migrate(db)).rejects.toThrow('could not be brought up to date')
  })
})

describe('schema.ts', () => {
  /** table -> columns, read from the source of the interface: types leave nothing to look at in a running program. */
  function declared(): Record<string, Record<string, { nullable: boolean; type: string }>> {
    const source = readFileSync(new URL('../../src/db/schema.ts', import.meta.url), 'utf8')
    const body = source.slice(source.indexOf('export interface Database')).replace(/\/\*\*.*?\*\//gs, '')
    const tables: ReturnType<typeof declared> = {}
    for (const [, table, columns] of body.matchAll(/^ {2}(\w+): \{([^}]*)\}/gm)) {
      const found = [...columns!.matchAll(/(\w+): ([^;\n]+)/g)]
      tables[table!] = Object.fromEntries(
        found.map(([, name, type]) => [
          name,
          { nullable: /\| null/.test(type!), type: type!.replace(' | null', '').trim() },
        ]),
      )
    }
    return tables
  }

  it('names the very tables and columns that the migrations make, NULL where they allow it', async () => {
    const { db } = await freshStore()
    const tables = declared()
    expect(Object.keys(tables).length).toBeGreaterThan(10)
    expect(Object.keys(tables).sort()).toEqual((await tablesOf(db)).filter((name) => !name.startsWith('kysely_')))
    for (const [table, columns] of Object.entries(tables)) {
      const { rows } = await sql<{ name: string; notnull: number; pk: number; type: string }>`
        select name, "notnull", pk, type from pragma_table_info(${table})`.execute(db)
      const real = Object.fromEntries(rows.map((row) => [row.name, { nullable: row.notnull === 0 && row.pk === 0 }]))
      const said = Object.fromEntries(Object.entries(columns).map(([name, { nullable }]) => [name, { nullable }]))
      expect(said, table).toEqual(real)
      for (const row of rows) {
        const isText = ['string', 'Json'].includes(columns[row.name]!.type)
        expect(row.type.toLowerCase() === 'text', `${table}.${row.name}`).toBe(isText)
      }
    }
  })
})

describe('what the database holds by itself', () => {
  it('one open task per unit', async () => {
    const { db } = await freshStore()
    await insertUnit(db, 'u1')
    await insertUnit(db, 'u2')
    await insertTask(db, { id: 't1', unitId: 'u1' })
    await expect(insertTask(db, { id: 't2', unitId: 'u1' })).rejects.toMatchObject({ code: 'SQLITE_CONSTRAINT_UNIQUE' })
    await insertTask(db, { id: 't3', unitId: 'u2' }) // Another unit has its own.
    await insertTask(db, { id: 't4', unitId: 'u1', state: 'failed', closedAtMs: 5 }) // Closed ones are not counted.
    await db.updateTable('task').set({ state: 'confirmed', closed_at_ms: 6 }).where('id', '=', 't1').execute()
    await insertTask(db, { id: 't5', unitId: 'u1' })
    await expect(
      db.updateTable('task').set({ state: 'queued', closed_at_ms: null }).where('id', '=', 't1').execute(),
    ).rejects.toMatchObject({ code: 'SQLITE_CONSTRAINT_UNIQUE' })
  })

  it('closed has a time and open has none', async () => {
    const { db } = await freshStore()
    await insertUnit(db, 'u1')
    for (const wrong of [
      { state: 'confirmed', closedAtMs: null },
      { state: 'queued', closedAtMs: 5 },
      { state: 'no such state', closedAtMs: null },
    ]) {
      await expect(insertTask(db, { id: 't', unitId: 'u1', ...wrong })).rejects.toMatchObject({
        code: 'SQLITE_CONSTRAINT_CHECK',
      })
    }
  })

  it('no row points nowhere', async () => {
    const { db } = await freshStore()
    await insertUnit(db, 'u1')
    await expect(insertTask(db, { id: 't', unitId: 'nobody' })).rejects.toMatchObject({
      code: 'SQLITE_CONSTRAINT_FOREIGNKEY',
    })
    await expect(db.deleteFrom('model').execute()).rejects.toMatchObject({ code: 'SQLITE_CONSTRAINT_FOREIGNKEY' })
  })
})
