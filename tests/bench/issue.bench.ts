// Issuing to 10,000 and 100,000 units in one call: tasks, links, commands and log entries, as the client sees it, beside
// plain inserts of the very same rows. Also: the server's highest memory, and how long a check-in waits meanwhile.
import { writeFileSync } from 'node:fs'
import path from 'node:path'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { testImei } from '../support/app.js'
import { processStatus, type ServedApp, serveApp } from '../support/serve.js'
import { addFleet, addPackage, copyDatabase, insertSameRows } from './fleet.js'
import { type Compared, type Figure, median, report } from './report.js'

const SMALL = 10_000
const LARGE = 100_000
const ROUNDS = 3
const AIM = { max: 10 }
const PEAK_MAX_MIB = 600
const PROBE_MS = 50

let served: ServedApp
let checkinKey: string
beforeAll(async () => {
  served = await serveApp()
  checkinKey = (await served.call('POST', '/keys', { name: 'platform', role: 'check-in' })).body.secret
})
afterAll(() => served.remove())

/** Answers are read to their end and counted, not parsed: parsing is the client's own work. */
async function post(target: string, body: unknown): Promise<{ ms: number; bytes: number; status: number }> {
  const startMs = performance.now()
  const response = await fetch(`${served.officeUrl}/api/v1${target}`, {
    method: 'POST',
    headers: { authorization: `Bearer ${served.key}`, 'content-type': 'application/json', connection: 'close' },
    body: JSON.stringify(body),
  })
  let bytes = 0
  for await (const part of response.body!) bytes += part.length
  return { ms: performance.now() - startMs, bytes, status: response.status }
}

/** Sends a check-in now and then, until it is told to stop; gives the longest wait for an answer. */
function probe(): () => Promise<number> {
  let running = true
  let longestMs = 0
  const done = (async () => {
    while (running) {
      const startMs = performance.now()
      await fetch(`${served.publicUrl}/in/check-ins`, {
        method: 'POST',
        headers: { authorization: `Bearer ${checkinKey}`, 'content-type': 'application/json' },
        body: JSON.stringify({ unit: testImei(0), version: '1.0.0' }),
      }).then((response) => response.text())
      longestMs = Math.max(longestMs, performance.now() - startMs)
      await new Promise((resolve) => setTimeout(resolve, PROBE_MS))
    }
  })()
  return async () => {
    running = false
    await done
    return longestMs
  }
}

/** Linux: makes the highest memory so far the present one (proc(5), clear_refs 5). */
const forgetPeak = () => writeFileSync(`/proc/${served.process.pid!}/clear_refs`, '5')
const peakMib = () => processStatus(served.process.pid!, 'VmHWM') / 1024

it('tasks for many units in one call', async () => {
  const packages = [await addPackage(served, '2.0.0'), await addPackage(served, '3.0.0')] as const
  await addFleet(served, [...Array.from({ length: ROUNDS }, () => SMALL), LARGE])
  const lines: (Compared | Figure)[] = []
  for (const [count, groups] of [
    [SMALL, Array.from({ length: ROUNDS }, (_, n) => n)],
    [LARGE, [ROUNDS]],
  ] as const) {
    const times: { product: number; peer: number; peak: number; wait: number }[] = []
    const packageId = packages[count === SMALL ? 0 : 1]
    for (const group of groups) {
      const copy = path.join(served.folder, `peer-${group}.db`)
      await copyDatabase(served, copy)
      forgetPeak()
      const stop = probe()
      const issued = await post('/tasks', { group: `fleet-${group}`, package: packageId })
      const peak = peakMib()
      const wait = await stop()
      expect(issued.status).toBe(201)
      expect(issued.bytes).toBeGreaterThan(count * 500)
      const peer = insertSameRows(served, copy)
      expect(peer.rows).toBeGreaterThanOrEqual(count * 7)
      times.push({ product: issued.ms / 1000, peer: peer.ms / 1000, peak, wait: wait / 1000 })
    }
    const of = (name: keyof (typeof times)[number]) => times.map((time) => time[name])
    lines.push(
      { name: `${count} tasks`, product: of('product'), peer: of('peer'), unit: 's', aim: AIM },
      { name: '  peak memory', value: Math.max(...of('peak')), unit: 'MiB', max: PEAK_MAX_MIB },
      { name: '  a check-in waits', value: median(of('wait')), unit: 's' },
    )
  }
  forgetPeak()
  const withdrawn = await post(`/packages/${packages[1]}/withdraw`, { reason: 'bench' })
  expect(withdrawn.status).toBe(200)
  lines.push(
    { name: `withdraw with ${LARGE} tasks`, value: withdrawn.ms / 1000, unit: 's' },
    { name: '  peak memory', value: peakMib(), unit: 'MiB', max: PEAK_MAX_MIB },
  )
  report('issue', lines)
})
