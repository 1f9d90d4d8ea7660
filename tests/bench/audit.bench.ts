// Checking an exported log of the true server, beside reading each of the same lines as JSON and taking one SHA-256 of it.
// Also how fast the log is exported, and how fast entries are appended.
import { fork } from 'node:child_process'
import { once } from 'node:events'
import { createWriteStream, mkdirSync } from 'node:fs'
import path from 'node:path'
import { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { appendAudit } from '../../src/audit/audit.store.js'
import { migrate } from '../../src/db/migrate.driver.js'
import { openSqlite } from '../../src/db/sqlite.driver.js'
import { type ServedApp, serveApp } from '../support/serve.js'
import { PERSON } from '../tasks/record.js'
import { addFleet, addPackage } from './fleet.js'
import { report } from './report.js'

const UNITS = 50_000
const ROUNDS = 5
const APPENDED = 50_000
const APPENDED_AT_ONCE = 1000

let served: ServedApp
beforeAll(async () => {
  served = await serveApp()
})
afterAll(() => served.remove())

async function exportTo(file: string): Promise<number> {
  const startMs = performance.now()
  const response = await fetch(`${served.officeUrl}/api/v1/audit?format=jsonl`, {
    headers: { authorization: `Bearer ${served.key}` },
  })
  await pipeline(Readable.fromWeb(response.body as never), createWriteStream(file))
  return (performance.now() - startMs) / 1000
}

/** Entries a second, in transactions of so many as a large issue has in one slice. */
async function appendRate(): Promise<number> {
  mkdirSync(path.join(served.folder, 'append'))
  const db = openSqlite(path.join(served.folder, 'append', 'firmhand.db'), 'write')
  await migrate(db)
  const startMs = performance.now()
  for (let n = 0; n < APPENDED; n += APPENDED_AT_ONCE) {
    const drafts = Array.from({ length: APPENDED_AT_ONCE }, (_, index) => ({
      action: 'task.issued',
      unit: `u_${n + index}`,
      task: `t_${n + index}`,
      package: 'p_1',
      fromVersion: '1.0.0',
      toVersion: '2.0.0',
      sha256: 'ab'.repeat(32),
      detail: { method: 'air', deadline: '2026-01-01T00:00:00.000Z', force: false },
      labels: { imei: `00997799${n + index}`, phone: `+46700${n + index}` },
    }))
    await db.transaction().execute((trx) => appendAudit({ db: trx, nowMs: 1, effects: [] }, PERSON, drafts))
  }
  const seconds = (performance.now() - startMs) / 1000
  await db.destroy()
  return APPENDED / seconds
}

it('a log of the true server', async () => {
  const packageId = await addPackage(served, '2.0.0')
  await addFleet(served, [UNITS])
  expect((await served.call('POST', '/tasks', { group: 'fleet-0', package: packageId })).status).toBe(201)
  const file = path.join(served.folder, 'log.jsonl')
  const exportSeconds = await exportTo(file)

  const child = fork(new URL('./verify.child.mjs', import.meta.url), [file, String(ROUNDS)])
  const [told] = (await once(child, 'message')) as [
    { product: number[]; peer: number[]; hashes: number; result: { ok: boolean; complete: boolean; entries: number } },
  ]
  const { ok, complete, entries } = told.result
  expect({ ok, complete }).toEqual({ ok: true, complete: true })
  expect(entries).toBeGreaterThan(3 * UNITS)
  expect(told.hashes).toBe(ROUNDS * (entries + 2))

  const rates = (seconds: number[]) => seconds.map((value) => entries / value / 1000)
  report('audit', [
    {
      name: `verify ${entries} entries`,
      product: rates(told.product),
      peer: rates(told.peer),
      unit: 'thousand/s',
      aim: { min: 0.5 },
    },
    { name: 'export', value: entries / exportSeconds / 1000, unit: 'thousand/s' },
    { name: 'append', value: (await appendRate()) / 1000, unit: 'thousand/s' },
  ])
})
