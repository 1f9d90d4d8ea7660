// Check-ins one by one, answered after their commit, beside the same HTTP application without a database; and 10,000 in one
// call. The load comes from a process of its own, kept on one processor where there is taskset.
import { type ChildProcess, fork, spawnSync } from 'node:child_process'
import { once } from 'node:events'
import { readFileSync } from 'node:fs'
import os from 'node:os'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { type ServedApp, serveApp } from '../support/serve.js'
import { addFleet, addPackage } from './fleet.js'
import { type Figure, median, report } from './report.js'

const UNITS = 10_000
/** Units with an open task: their reports are taken through derive(). */
const WITH_TASK = 2000
const ROUNDS = 3
const SECONDS = 5
const IN_ONE_CALL = 10_000

let served: ServedApp
let key: string

/** At which 512 connections are paced: every second each of them sends one report. */
const PACED_PER_SECOND = 512
const P99_MAX_MS = 50

interface Load {
  answered: number
  perSecond: number
  failed: number
  p99Ms: number
}
type Measured = Load & { cpuMicros: number }
interface Target {
  base: string
  process: ChildProcess
}

let product: Target
let plain: Target
beforeAll(async () => {
  served = await serveApp()
  key = (await served.call('POST', '/keys', { name: 'platform', role: 'check-in' })).body.secret
  const packageId = await addPackage(served, '2.0.0')
  await addFleet(served, [UNITS - WITH_TASK, WITH_TASK])
  await served.call('POST', '/tasks', { group: 'fleet-1', package: packageId })
  const peer = fork(new URL('./checkin-peer.child.mjs', import.meta.url))
  const [port] = await once(peer, 'message')
  plain = { base: `http://127.0.0.1:${port}`, process: peer }
  product = { base: served.publicUrl, process: served.process }
})
afterAll(async () => {
  plain?.process.kill()
  await served.remove()
})

/** Processor time of all threads of a process so far, ms: utime and stime of proc(5) in ticks of 10 ms. */
function cpuMs({ process: { pid } }: Target): number {
  const fields = readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1]!.split(' ')
  return (Number(fields[11]) + Number(fields[12])) * 10
}

/** On a small machine the load would else wander over all processors and take from both at random. */
const canPin = spawnSync('taskset', ['--version']).status === 0

async function load(on: Target, connections: number, perSecond = 0): Promise<Measured> {
  const args = [`${on.base}/in/check-ins`, key, ...[connections, SECONDS, UNITS, perSecond].map(String)]
  const beforeMs = cpuMs(on)
  const child = fork(new URL('./checkin-load.child.mjs', import.meta.url), args)
  if (canPin) spawnSync('taskset', ['-a', '-p', '-c', String(os.availableParallelism() - 1), String(child.pid)])
  const [told] = (await once(child, 'message')) as [Load]
  expect(told.failed).toBe(0)
  return { ...told, cpuMicros: ((cpuMs(on) - beforeMs) * 1000) / told.answered }
}

async function manyAtOnce(round: number): Promise<number> {
  const items = Array.from({ length: IN_ONE_CALL }, (_, n) => ({
    unit: `u_${String(n % UNITS).padStart(21, '0')}`,
    version: `1.${round}.0`,
    id: `bulk-${round}-${n}`,
  }))
  const startMs = performance.now()
  const response = await fetch(`${served.publicUrl}/in/check-ins`, {
    method: 'POST',
    headers: { authorization: `Bearer ${key}`, 'content-type': 'application/json' },
    body: JSON.stringify(items),
  })
  const { results } = (await response.json()) as { results: { accepted: boolean }[] }
  expect(results.filter(({ accepted }) => accepted).length).toBe(IN_ONE_CALL)
  return (performance.now() - startMs) / 1000
}

/** Alternately, after a first run of each that warms it up. */
async function compare(connections: number, perSecond = 0): Promise<{ product: Measured[]; peer: Measured[] }> {
  const found: { product: Measured[]; peer: Measured[] } = { product: [], peer: [] }
  for (let n = 0; n < ROUNDS; n += 1) {
    found.product.push(await load(product, connections, perSecond))
    found.peer.push(await load(plain, connections, perSecond))
  }
  return found
}

it('check-ins', async () => {
  const bulk: number[] = []
  for (let n = 0; n < ROUNDS; n += 1) bulk.push(await manyAtOnce(n))
  await load(plain, 64)
  await load(product, 64)
  const few = await compare(64)
  const many = await compare(512)
  const paced = await compare(512, PACED_PER_SECOND)
  const row = (name: string, of: typeof few, value: keyof Measured, unit: string) => ({
    ...{ name, unit, product: of.product.map((one) => one[value]), peer: of.peer.map((one) => one[value]) },
  })
  const p99 = (name: string, of: typeof few): Figure => ({
    ...{ name, value: median(of.product.map(({ p99Ms }) => p99Ms)), unit: 'ms', max: P99_MAX_MS },
  })
  report('checkins', [
    { ...row('64 connections', few, 'perSecond', '/s'), aim: { min: 0.6 } },
    row('  processor time each', few, 'cpuMicros', 'us'),
    row('512 connections', many, 'perSecond', '/s'),
    row('  99th percentile', many, 'p99Ms', 'ms'),
    // Each connection sends again as soon as it is answered: 50 ms would take more than 10,000 answers a second.
    p99('  99th percentile', many),
    row(`512 connections at ${PACED_PER_SECOND}/s`, paced, 'p99Ms', 'ms'),
    p99('  99th percentile', paced),
    { name: `${IN_ONE_CALL} in one call`, value: median(bulk), unit: 's' },
  ])
})
