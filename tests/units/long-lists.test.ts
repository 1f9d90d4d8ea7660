// Lists of a whole fleet: memory stays flat, and a server that is killed in the middle has taken all of it or nothing.
import { readdirSync } from 'node:fs'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { testProfile } from '../support/app.js'
import { processStatus, type ServedApp, serveApp } from '../support/serve.js'
import { listText } from './long-list.js'

/** `npm run bench -- import` takes the 200,000 of a whole fleet. */
const ROWS = 50_000
/** A heap that has to clean up in time shows with fewer rows what grows with them; these, as objects, would not fit. */
const HEAP_MIB = 80
const GROWTH_MAX_MIB = 40

let served: ServedApp
beforeAll(async () => {
  served = await serveApp({ settings: { NODE_OPTIONS: `--max-old-space-size=${HEAP_MIB}` } })
  await served.call('PUT', '/models/sill-cam', testProfile())
})
afterAll(() => served.remove())

const post = (text: string, query: string): Promise<Response> =>
  fetch(`${served.officeUrl}/api/v1/units/import${query}`, {
    method: 'POST',
    headers: { authorization: `Bearer ${served.key}`, 'content-type': 'text/csv', connection: 'close' },
    body: text,
  })

describe('a list of 50,000 rows', () => {
  it('that are all wrong is answered row by row, in memory that does not grow with it', async () => {
    const peakMib = () => processStatus(served.process.pid!, 'VmHWM') / 1024
    const refused = async (rows: number) => {
      const response = await post(listText(rows, { spoilt: true }), '?check=true')
      let [bytes, count, rest] = [0, 0, '']
      for await (const piece of response.body!.pipeThrough(new TextDecoderStream())) {
        bytes += piece.length
        const parts = (rest + piece).split('"code":"imei-digits"')
        count += parts.length - 1
        rest = parts.at(-1)!.slice(-30)
      }
      return { status: response.status, bytes, count }
    }
    expect(await refused(5000)).toMatchObject({ status: 422, count: 5000 })
    const before = peakMib()
    const answer = await refused(ROWS)
    expect(answer).toMatchObject({ status: 422, count: ROWS })
    expect(answer.bytes).toBeGreaterThan(5e6)
    expect(peakMib() - before).toBeLessThan(GROWTH_MAX_MIB)
  }, 120_000)
})

describe('a server that is killed while it takes a list', () => {
  it('has all of it or nothing when it comes back, sweeps its files, and its log verifies', async () => {
    const units = async () => (await served.call('GET', '/units/export')).body.trim().split('\n').length - 1
    const rows = 4000
    let known = await units()
    let first = 0
    // Early while it is received, while it is judged, and where the writer is at it.
    for (const afterMs of [5, 150, 350, 600]) {
      const sent = post(listText(rows, { from: first }), '').then(
        (response) => response.status,
        () => null,
      )
      await Promise.race([sent, new Promise((resolve) => setTimeout(resolve, afterMs))])
      await served.kill()
      const status = await sent
      await served.start()
      const now = await units()
      expect([known, known + rows]).toContain(now)
      if (status === 200) expect(now).toBe(known + rows)
      if (now > known) first += rows
      known = now
      expect(readdirSync(path.join(served.dataFolder, 'incoming'))).toEqual([])
    }
    const response = await fetch(`${served.officeUrl}/api/v1/audit?format=jsonl`, {
      headers: { authorization: `Bearer ${served.key}` },
    })
    const lines = exportLines([new Uint8Array(await response.arrayBuffer())])
    expect(await verifyExport(lines)).toMatchObject({ ok: true, complete: true })
  }, 120_000)
})
