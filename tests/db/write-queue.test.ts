// Group commit against the real engine: what is answered is stored, what is refused is not, whatever else is in the group.
import BetterSqlite from 'better-sqlite3'
import fc from 'fast-check'
import { sql } from 'kysely'
import { describe, expect, it } from 'vitest'
import type { Db, Effect } from '../../src/db/db.js'
import { openSqlite } from '../../src/db/sqlite.driver.js'
import { createWriteQueue } from '../../src/db/write-queue.driver.js'
import { freshStore } from './store.js'

/** The number that SQLite changes at every commit of another connection (PRAGMA data_version), looked at in between. */
function commitCounter(file: string): () => number {
  const watcher = new BetterSqlite(file, { readonly: true })
  return () => watcher.pragma('data_version', { simple: true }) as number
}

const insert = (id: string) => async (work: { db: Db }) => {
  await work.db.insertInto('server').values({ id, created_at_ms: 1 }).execute()
  return id
}

async function store() {
  const { db, file, folder } = await freshStore()
  const published: Effect[][] = []
  const read = openSqlite(file, 'read')
  const stored = async () => (await read.selectFrom('server').select('id').orderBy('id').execute()).map(({ id }) => id)
  const queue = createWriteQueue({ db, clock: () => 7, publish: (effects) => void published.push(effects) })
  return { db, file, folder, queue, published, read, stored }
}

describe('a group', () => {
  it('commits once for all that waits', async () => {
    const { queue, file, stored } = await store()
    await queue.run(async () => undefined)
    const version = commitCounter(file)
    const seen = new Set<number>([version()])
    const pieces = Array.from({ length: 200 }, (_, n) =>
      queue.run(async (work) => {
        seen.add(version()) // A commit within the group would show here.
        await insert(`s${n}`)(work)
      }),
    )
    await Promise.all(pieces)
    expect(seen.size).toBe(1)
    seen.add(version())
    expect(seen.size).toBe(2)
    expect((await stored()).length).toBe(200)
  })

  it('takes at most 256 pieces, so that the first caller does not wait for the last', async () => {
    const { queue, file } = await store()
    await queue.run(async () => undefined)
    const version = commitCounter(file)
    const seen = new Set<number>()
    await Promise.all(
      Array.from({ length: 600 }, (_, n) =>
        queue.run(insert(`s${n}`)).then(() => {
          seen.add(version())
        }),
      ),
    )
    expect(seen.size).toBe(3)
  })

  it('answers nobody before the commit', async () => {
    const { queue, read } = await store()
    const pieces = Array.from({ length: 50 }, (_, n) =>
      queue.run(insert(`s${n}`)).then(async (id) => {
        // Another connection sees it at the moment of the answer.
        const row = await read.selectFrom('server').select('id').where('id', '=', id).executeTakeFirst()
        expect(row).toEqual({ id })
      }),
    )
    await Promise.all(pieces)
  })

  it('publishes effects after the commit, before the answer, in order', async () => {
    const { db, file } = await freshStore()
    const read = openSqlite(file, 'read')
    const seen: unknown[] = []
    const queue = createWriteQueue({
      db,
      clock: () => 7,
      publish: (effects) => void seen.push([...effects]),
    })
    const effect = (seq: number): Effect => ({ kind: 'audit', seq })
    const first = queue.run(async (work) => {
      work.effects.push(effect(1))
      await insert('a')(work)
      expect(seen).toEqual([])
      expect(await read.selectFrom('server').selectAll().execute()).toEqual([])
    })
    const second = queue.run(async (work) => {
      work.effects.push(effect(2))
    })
    await first
    expect(seen).toEqual([[effect(1), effect(2)]])
    await second
    await read.destroy()
  })
})

describe('a piece that throws', () => {
  it('is rolled back alone, with its effects, and its caller gets the very error', async () => {
    const { queue, stored, published } = await store()
    const fault = new Error('no')
    const results = await Promise.allSettled([
      queue.run(insert('a')),
      queue.run(async (work) => {
        work.effects.push({ kind: 'audit', seq: 99 })
        await insert('b')(work)
        throw fault
      }),
      queue.run(insert('a')), // Breaks a rule of the database itself.
      queue.run(async (work) => {
        work.effects.push({ kind: 'audit', seq: 1 })
        return insert('c')(work)
      }),
    ])
    expect(results.map(({ status }) => status)).toEqual(['fulfilled', 'rejected', 'rejected', 'fulfilled'])
    expect((results[1] as PromiseRejectedResult).reason).toBe(fault)
    expect(await stored()).toEqual(['a', 'c'])
    expect(published).toEqual([[{ kind: 'audit', seq: 1 }]])
  })

  it('whatever the order of good and bad ones: stored is exactly what was answered', async () => {
    const { queue, stored } = await store()
    let round = 0
    await fc.assert(
      fc.asyncProperty(
        fc.array(fc.constantFrom('good', 'throws', 'breaks', 'slow'), { maxLength: 40 }),
        async (kinds) => {
          round += 1
          const before = await stored()
          const names = kinds.map((_, n) => `r${round}-${n}`)
          const results = await Promise.allSettled(
            kinds.map((kind, n) =>
              queue.run(async (work) => {
                if (kind === 'slow') await new Promise((resolve) => setImmediate(resolve))
                await insert(names[n]!)(work)
                if (kind === 'throws') throw new Error('no')
                if (kind === 'breaks') await insert(names[n]!)(work)
              }),
            ),
          )
          const answered = names.filter((_, n) => results[n]!.status === 'fulfilled')
          expect(answered).toEqual(names.filter((_, n) => kinds[n] === 'good' || kinds[n] === 'slow'))
          expect(await stored()).toEqual([...before, ...answered].sort())
        },
      ),
      { numRuns: 40 },
    )
  })
})

describe('a piece that is alone in its group', () => {
  it('is stored whole or not at all, with its effects, and its fault is no fault of the store', async () => {
    const { db, file } = await freshStore()
    const read = openSqlite(file, 'read')
    const published: Effect[] = []
    const groups: boolean[] = []
    const queue = createWriteQueue({
      db,
      clock: () => 7,
      publish: (effects) => void published.push(...effects),
      observer: { wrote: ({ failed }) => void groups.push(failed) },
    })
    const kinds = ['good', 'throws', 'breaks', 'good', 'throws', 'good'] as const
    const fault = new Error('no')
    for (const [n, kind] of kinds.entries()) {
      const piece = queue.run(async (work) => {
        work.effects.push({ kind: 'audit', seq: n })
        await insert(`s${n}`)(work)
        if (kind === 'throws') throw fault
        if (kind === 'breaks') await insert(`s${n}`)(work)
      })
      if (kind === 'good') await piece
      else if (kind === 'throws') await expect(piece).rejects.toBe(fault)
      else await expect(piece).rejects.toThrow(/UNIQUE/)
    }
    const rows = await read.selectFrom('server').select('id').orderBy('id').execute()
    expect(rows.map(({ id }) => id)).toEqual(['s0', 's3', 's5'])
    expect(published).toEqual([0, 3, 5].map((seq) => ({ kind: 'audit', seq })))
    expect(groups).toEqual(kinds.map(() => false))
    await read.destroy()
  })
})

describe('a lock of another program', () => {
  it('is waited for; beyond the time all are refused in plain words, and the queue goes on', async () => {
    const { queue, file, stored, db } = await store()
    await queue.run(insert('a'))
    await sql`pragma busy_timeout = 50`.execute(db) // The true one is 10 s.
    const other = new BetterSqlite(file)
    other.exec('begin immediate')
    await expect(queue.run(insert('b'))).rejects.toMatchObject({ code: 'not-ready' })
    other.exec('rollback')
    other.close()
    await queue.run(insert('c'))
    expect(await stored()).toEqual(['a', 'c'])
  })
})

describe('closing', () => {
  it('drains what waits and refuses what comes after', async () => {
    const { queue, stored } = await store()
    const pieces = Array.from({ length: 600 }, (_, n) => queue.run(insert(`s${n}`)))
    const closed = queue.close()
    await expect(queue.run(insert('late'))).rejects.toMatchObject({ code: 'not-ready' })
    await closed
    expect((await stored()).length).toBe(600)
    await Promise.all(pieces)
    await queue.close()
  })
})
