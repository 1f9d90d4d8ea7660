// Bulk work never stops the bytes: while 10,000 tasks are issued in one call, a running download does not pause.
import { type ChildProcess, fork } from 'node:child_process'
import { randomBytes } from 'node:crypto'
import { once } from 'node:events'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { testImei, testProfile } from '../support/app.js'
import { type ServedApp, serveApp } from '../support/serve.js'

const UNITS = 10_000
/** The bar of the project. */
const PAUSE_MAX_MS = 200
/** The machine does other things as well: the best of so many tries counts. */
const TRIES = 3
const FILE_BYTES = 32 * 1024 * 1024

let served: ServedApp
let reader: ChildProcess
let packageId: string

interface Seen {
  gapMs: number
  waitMs: number
  bytes: number
  probes: number
}
const seen = async (): Promise<Seen> => {
  reader.send('tell')
  const [told] = (await once(reader, 'message')) as [Seen]
  return told
}

/** Put into the stopped server's database, a group for each try: what is measured is the issue. */
function insertUnits(): void {
  const db = new BetterSqlite(path.join(served.dataFolder, 'firmhand.db'))
  const unit = db.prepare(
    `insert into unit (id, imei, model_id, time_zone, notes, retired, created_at_ms) values (?, ?, 'sill-cam', 'UTC', '', 0, 1)`,
  )
  const group = db.prepare('insert into unit_group (unit_id, name) values (?, ?)')
  db.transaction(() => {
    for (let n = 0; n < UNITS * TRIES; n += 1) {
      unit.run(`u-bulk-${n}`, testImei(n))
      group.run(`u-bulk-${n}`, `fleet-${Math.floor(n / UNITS)}`)
    }
  })()
  db.close()
}

beforeAll(async () => {
  served = await serveApp()
  await served.call('PUT', '/models/sill-cam', testProfile())
  const bytes = randomBytes(FILE_BYTES)
  packageId = (await served.call('POST', '/packages?model=sill-cam&version=2.0.0&fileName=sill.bin', bytes)).body.id
  await served.call('POST', `/packages/${packageId}/release`, {})
  const link = await served.call('POST', '/links', { package: packageId, kind: 'copy', byteBudget: 1e12 })
  await served.terminate()
  insertUnits()
  await served.start()
  reader = fork(new URL('./paced-reader.child.mjs', import.meta.url), [link.body.url, String(FILE_BYTES)])
  await once(reader, 'message')
})
afterAll(async () => {
  reader?.kill()
  await served.remove()
})

describe('while 10,000 tasks are issued in one call', () => {
  it('no running download pauses over 200 ms', async () => {
    const figures: string[] = []
    let best = Infinity
    for (let n = 0; n < TRIES && best > PAUSE_MAX_MS; n += 1) {
      await new Promise((resolve) => setTimeout(resolve, 500))
      await seen()
      await new Promise((resolve) => setTimeout(resolve, 2000))
      const control = await seen()
      const startMs = performance.now()
      const issued = await served.call('POST', '/tasks', { group: `fleet-${n}`, package: packageId })
      const tookMs = performance.now() - startMs
      const during = await seen()
      expect(issued.status).toBe(201)
      expect(issued.body.tasks.length).toBe(UNITS)
      expect(during.bytes).toBeGreaterThan(1_000_000)
      expect(during.probes).toBeGreaterThan(5)
      best = Math.min(best, Math.max(during.gapMs, during.waitMs))
      const text = (name: string, one: Seen) =>
        `${name} ${one.gapMs.toFixed(0)} ms without a byte, ${one.waitMs.toFixed(0)} ms for a small range (${(one.bytes / 1e6).toFixed(0)} MB, ${one.probes} ranges)`
      figures.push(`issue ${(tookMs / 1000).toFixed(1)} s; ${text('during', during)}; ${text('control', control)}`)
    }
    process.stdout.write(`${figures.join('\n')}\n`)
    expect(best, figures.join('\n')).toBeLessThanOrEqual(PAUSE_MAX_MS)
  }, 120_000)
})
