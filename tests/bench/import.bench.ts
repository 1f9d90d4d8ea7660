// A list of 200,000 units: how long it takes beside bare inserts of the same rows, how much memory the server takes at its
// highest, how long a check-in waits meanwhile, and whether a running download pauses. Then the same list again, and one
// whose rows are all wrong. Wrong answers fail it; times and memory stand beside their aims, for whoever reads them.
import { rmSync } from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { testImei, testProfile } from '../support/app.js'
import { processStatus, type ServedApp, serveApp } from '../support/serve.js'
import { listText } from '../units/long-list.js'
import { report } from './report.js'

const ROWS = Number(process.env.FIRMHAND_BENCH_ROWS ?? 200_000)
/** A tenth of the list first: what grows with it would show. The writer keeps 64 MiB of pages, whatever it writes. */
const WARM_ROWS = 20_000
const GROWTH_MAX_MIB = 150
/** The rule of the project: bulk work never stops the bytes. */
const PAUSE_MAX_MS = 200
const FIRMWARE_MIB = 256

let served: ServedApp
beforeAll(async () => {
  served = await serveApp()
})
afterAll(() => served.remove())

/** The least that any server would have to write: the same rows, one statement each, in one transaction. */
function bareInserts(): number {
  const db = new BetterSqlite(path.join(served.folder, 'bare.db'))
  db.pragma('journal_mode = WAL')
  db.pragma('synchronous = FULL')
  db.exec(`create table unit (id text primary key, imei text unique, serial text unique, model text, phone text, iccid text, notes text);
    create index unit_phone on unit (phone); create index unit_iccid on unit (iccid);
    create table unit_group (name text, unit_id text, primary key (name, unit_id));
    create index unit_group_unit on unit_group (unit_id);
    create table audit (seq integer primary key, unit_id text, body text, hash text, labels text);
    create index audit_unit on audit (unit_id, seq)`)
  const unit = db.prepare('insert into unit values (?, ?, ?, ?, ?, ?, ?)')
  const group = db.prepare('insert into unit_group values (?, ?)')
  const audit = db.prepare('insert into audit values (?, ?, ?, ?, ?)')
  const startMs = performance.now()
  db.transaction(() => {
    for (let n = 0; n < ROWS; n += 1) {
      const id = `u_${String(n).padStart(21, '0')}`
      unit.run(id, testImei(n), `S-${n}`, 'sill-cam', `+4479${n}`, `8944${n}`, '')
      group.run('depot', id)
      audit.run(n, id, 'x'.repeat(450), 'y'.repeat(64), 'z'.repeat(180))
    }
  })()
  const ms = performance.now() - startMs
  db.close()
  rmSync(path.join(served.folder, 'bare.db'))
  return ms
}

/** The longest time between two pieces of a download, at most 40 MiB/s, begun again and again until it is enough. */
async function longestPause(url: string, isEnough: () => boolean): Promise<number> {
  let longestMs = 0
  while (!isEnough()) {
    const response = await fetch(url)
    let lastMs = performance.now()
    for await (const piece of response.body as unknown as AsyncIterable<Uint8Array>) {
      longestMs = Math.max(longestMs, performance.now() - lastMs)
      if (isEnough()) break
      await new Promise((resolve) => setTimeout(resolve, piece.length / (40 * 1024)))
      lastMs = performance.now()
    }
  }
  return longestMs
}

it('a list of a whole fleet', async () => {
  await served.call('PUT', '/models/sill-cam', testProfile())
  const added = await served.call(
    'POST',
    '/packages?model=sill-cam&version=2.0.0&fileName=sill.bin',
    Buffer.alloc(FIRMWARE_MIB * 1024 * 1024, 'firm'),
  )
  const accept = added.body.findings.map((finding: { code: string }) => finding.code)
  await served.call('POST', `/packages/${added.body.id}/release`, { acceptFindings: accept })
  const probe = testImei(900_000)
  await served.call('POST', '/units', { imei: probe, model: 'sill-cam' })
  const link = await served.call('POST', '/links', { package: added.body.id, kind: 'copy' })
  // Read once before: the blocks that the server keeps of a file are no part of what a list takes.
  for await (const _piece of (await fetch(link.body.url)).body as unknown as AsyncIterable<Uint8Array>);
  const bareMs = bareInserts()
  const text = Buffer.from(listText(ROWS))
  await served.call('POST', '/units/import', Buffer.from(listText(WARM_ROWS, { from: ROWS })), {
    headers: { 'content-type': 'text/csv' },
  })
  const warmMib = processStatus(served.process.pid!, 'VmHWM') / 1024

  let done = false
  const waits: number[] = []
  const looks: number[] = []
  const ask = async (times: number[], call: () => Promise<unknown>) => {
    while (!done) {
      const startMs = performance.now()
      await call()
      times.push(performance.now() - startMs)
      await new Promise((resolve) => setTimeout(resolve, 20))
    }
  }
  const others = [
    ask(waits, () => served.call('POST', '/check-ins', { unit: probe, version: '1.0.0' })),
    ask(looks, () => served.call('GET', `/units/${probe}`)),
  ]
  const download = longestPause(link.body.url, () => done)
  const send = async (list: Buffer) => {
    const startMs = performance.now()
    const { status, body } = await served.call('POST', '/units/import', list, {
      headers: { 'content-type': 'text/csv' },
    })
    const seconds = (performance.now() - startMs) / 1000
    // What waited for it is answered just after it.
    await new Promise((resolve) => setTimeout(resolve, 1000))
    return { status, body, seconds, waitMs: Math.max(...waits.splice(0)) }
  }
  const first = await send(text)
  const again = await send(text)
  const bad = await send(Buffer.from(listText(ROWS, { spoilt: true })))
  done = true
  await Promise.all(others)
  const pauseMs = await download
  const peakMib = processStatus(served.process.pid!, 'VmHWM') / 1024
  expect(first).toMatchObject({ status: 200, body: { read: ROWS, created: ROWS, rejected: [] } })
  expect(again).toMatchObject({ status: 200, body: { unchanged: ROWS } })
  expect(bad).toMatchObject({ status: 422, body: { rejectedRows: ROWS } })
  report('import', [
    { name: `${ROWS} rows, all new`, product: [first.seconds], peer: [bareMs / 1000], unit: 's' },
    { name: '  a check-in waits, at most', value: first.waitMs, unit: 'ms' },
    { name: 'the same again, all unchanged', value: again.seconds, unit: 's' },
    { name: '  a check-in waits, at most', value: again.waitMs, unit: 'ms' },
    { name: 'all rows wrong', value: bad.seconds, unit: 's' },
    { name: '  a check-in waits, at most', value: bad.waitMs, unit: 'ms' },
    { name: 'a look at a unit takes, at most', value: Math.max(...looks), unit: 'ms' },
    { name: 'a download pauses, at most', value: pauseMs, unit: 'ms', max: PAUSE_MAX_MS },
    { name: `memory above that after ${WARM_ROWS} rows`, value: peakMib - warmMib, unit: 'MiB', max: GROWTH_MAX_MIB },
  ])
})
