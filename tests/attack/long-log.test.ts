// A log of years, and an auditor who asks it for what is not there: everybody else gets a turn meanwhile.
import { mkdtempSync, rmSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { SYSTEM } from '../../src/audit/actor.js'
import { appendAudit, listEntries, scanEntries } from '../../src/audit/audit.store.js'
import type { Db } from '../../src/db/db.js'
import { openSqlite } from '../../src/db/sqlite.driver.js'
import { openDataFolder } from '../../src/server/data-folder.driver.js'
import { openWriter } from '../../src/server/writer.js'

const ENTRIES = 35_000
const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-test-'))
let db: ReturnType<typeof openSqlite>

beforeAll(async () => {
  const data = openDataFolder(folder)
  const writer = await openWriter({
    data,
    settings: { serverSecret: data.serverSecret, publicUrl: null, behindProxy: false, taskDeadlineHours: 1 },
    clock: () => Date.UTC(2026, 0, 1),
    publish: () => undefined,
    sweep: false,
    onError: (error) => {
      throw error
    },
  })
  const drafts = Array.from({ length: ENTRIES }, (_, i) => ({
    action: i % 9000 === 0 ? 'rare.thing' : 'task.flagged',
    unit: `u_${i % 10}`,
  }))
  for (let i = 0; i < ENTRIES; i += 5000)
    await writer.run((work) => appendAudit(work, SYSTEM, drafts.slice(i, i + 5000)))
  await writer.close()
  db = openSqlite(data.databaseFile, 'read')
})
afterAll(async () => {
  await db.destroy()
  rmSync(folder, { recursive: true, force: true })
})

/** How often the thread got to other work while this ran. */
async function turnsDuring(work: (db: Db) => Promise<unknown>): Promise<number> {
  let turns = 0
  let over = false
  const count = () => {
    if (over) return
    turns += 1
    setImmediate(count)
  }
  setImmediate(count)
  await work(db)
  over = true
  return turns
}

it.each([
  { action: 'rare.thing' },
  { action: 'rare.' },
  { action: 'task.' },
  { action: 'not.there' },
  { actor: 'nobody' },
  { unit: 'u_3' },
  { fromMs: Date.UTC(2026, 0, 2) },
  {},
])('what is found is the same: %j', async (filter) => {
  for (const page of [
    { afterSeq: 0, limit: 3 },
    { afterSeq: 9_001, limit: 100 },
    { afterSeq: 0, limit: 5, untilSeq: 18_001 },
    { afterSeq: ENTRIES + 5, limit: 5 },
  ])
    expect(await scanEntries(db, filter, page)).toStrictEqual(await listEntries(db, filter, page))
})

it('looking for what is not there lets others have their turn, a page that is full at once needs none', async () => {
  expect(
    await turnsDuring((read) => scanEntries(read, { actor: 'nobody' }, { afterSeq: 0, limit: 10 })),
  ).toBeGreaterThan(2)
  const one = await turnsDuring((read) => listEntries(read, { actor: 'nobody' }, { afterSeq: 0, limit: 10 }))
  expect(one).toBeLessThanOrEqual(2)
})
