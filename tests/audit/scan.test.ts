// Reading a long log by a filter that no index serves: all that is wanted, in order, and others get their turn meanwhile.
import { sql } from 'kysely'
import { describe, expect, it } from 'vitest'
import { scanEntries } from '../../src/audit/audit.store.js'
import { freshStore } from '../db/store.js'

const ENTRIES = 45_000
const EVERY = 9_000

describe('a scan of the log', () => {
  it('finds what lies far apart, once each, and stops at its limit and at its end', async () => {
    const { db } = await freshStore()
    await sql`with recursive n(i) as (select 1 union all select i + 1 from n where i < ${ENTRIES})
      insert into audit (seq, at_ms, action, actor_id, body, hash)
      select i, i, iif(i % ${EVERY} = 0, 'task.issued', 'checkin.accepted'), 'k', '{}', '' from n`.execute(db)
    const seqs = async (action: string, page: { afterSeq: number; limit: number; untilSeq: number }) =>
      (await scanEntries(db, { action }, page)).map(({ seq }) => seq)
    const whole = { afterSeq: 0, limit: 1000, untilSeq: ENTRIES }
    expect(await seqs('task.', whole)).toEqual([9_000, 18_000, 27_000, 36_000, 45_000])
    expect(await seqs('task.issued', { ...whole, limit: 3 })).toEqual([9_000, 18_000, 27_000])
    expect(await seqs('task.issued', { ...whole, afterSeq: 27_000, untilSeq: 44_999 })).toEqual([36_000])
    expect(await seqs('checkin.', { ...whole, afterSeq: 19_990, limit: 20 })).toEqual(
      Array.from({ length: 20 }, (_, index) => 19_991 + index),
    )
    expect(await seqs('key.', whole)).toEqual([])
    expect(await seqs('task.', { ...whole, afterSeq: ENTRIES + 5 })).toEqual([])

    let turns = 0
    let over = false
    const turn = (): void => {
      turns += 1
      if (!over) setImmediate(turn)
    }
    setImmediate(turn)
    await seqs('key.', whole)
    over = true
    expect(turns).toBeGreaterThan(1)
  })
})
