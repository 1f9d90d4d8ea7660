// Statements whose text is made once: the same rows as the query builder would store, whatever their number.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import type { Db } from '../../src/db/db.js'
import { inList, insertRows, runText } from '../../src/db/raw.driver.js'
import { withConnection } from '../../src/db/sqlite.driver.js'
import { freshStore } from './store.js'

const row = (n: number) => ({ id: `s${n}`, created_at_ms: n, settings: n % 3 === 0 ? null : `{"n":"${n}'\\"?"}` })

describe('many rows', () => {
  it('are stored as they are, in order, whatever their number', async () => {
    const { db } = await freshStore()
    for (const count of [0, 1, 7, 8, 63, 64, 65, 200]) {
      await db.deleteFrom('server').execute()
      const rows = Array.from({ length: count }, (_, n) => row(n))
      await insertRows(db, 'server', rows)
      expect(await db.selectFrom('server').selectAll().orderBy('created_at_ms').execute()).toEqual(rows)
    }
  })

  it('return what the tail asks for, and only of those that were stored', async () => {
    const { db } = await freshStore()
    await insertRows(db, 'server', [row(3), row(70)])
    const rows = Array.from({ length: 100 }, (_, n) => row(n))
    const stored = await insertRows<'server', { id: string }>(db, 'server', rows, 'on conflict do nothing returning id')
    expect(stored.map(({ id }) => id)).toEqual(rows.map(({ id }) => id).filter((id) => id !== 's3' && id !== 's70'))
    await expect(insertRows(db, 'server', rows)).rejects.toThrow(/UNIQUE/)
  })

  it('keep quotes and question marks of values out of the statement', async () => {
    const { db } = await freshStore()
    const settings = `'); drop table server; -- ? "`
    await insertRows(db, 'server', [{ id: settings, created_at_ms: 1, settings }])
    expect(await runText(db, 'select id, settings from server where id = ?', [settings])).toEqual([
      { id: settings, settings },
    ])
  })
})

describe('by a connection that is held', () => {
  it('the same is stored and returned as by the query builder, and the same faults are thrown', async () => {
    const [{ db: builder }, { db: held }] = [await freshStore(), await freshStore()]
    const tail = 'on conflict do nothing returning id'
    await fc.assert(
      fc.asyncProperty(fc.array(fc.nat(300), { maxLength: 90 }), async (numbers) => {
        const rows = numbers.map(row)
        const look = 'select * from server where created_at_ms >= ? order by id'
        const ask = async (db: Db) => [
          await insertRows<'server', { id: string }>(db, 'server', rows, tail),
          await runText(db, look, [10]),
          rows.length === 0 ? '' : await insertRows(db, 'server', rows).catch((error: Error) => error.message),
        ]
        expect(await withConnection(held, ask)).toEqual(await ask(builder))
      }),
      { numRuns: 30 },
    )
  })

  it('what others ask of the same store waits until it is given back', async () => {
    const { db } = await freshStore()
    let other: Promise<unknown> | null = null
    await withConnection(db, async (connection) => {
      await runText(connection, 'begin immediate')
      await insertRows(connection, 'server', [row(1)])
      other = runText(db, 'select id from server')
      await new Promise((resolve) => setImmediate(resolve))
      await runText(connection, 'rollback')
    })
    expect(await other).toEqual([])
  })
})

describe('a list behind IN', () => {
  it('holds the very values, in few lengths', () => {
    fc.assert(
      fc.property(fc.array(fc.string(), { minLength: 1, maxLength: 600 }), (values) => {
        const list = inList(values)
        expect(new Set(list.values)).toEqual(new Set(values))
        expect(list.text.split('?').length - 1).toBe(list.values.length)
        expect(Math.log2(list.values.length) % 1).toBe(0)
        expect(list.values.length).toBeLessThan(2 * values.length)
      }),
    )
  })
})
