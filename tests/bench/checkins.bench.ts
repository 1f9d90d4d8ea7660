// Check-ins one by one, answered after their commit, beside the same HTTP application without a database; and 10,000 in one
// call. The load comes from a process of its own, kept on one processor where there is taskset.
import { type ChildProcess, fork, spawnSync } from 'node:child_process'
import { once } from 'node:events'
import os from 'node:os'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { type ServedApp, serveApp } from '../support/serve.js'
import { addFleet, addPackage } from './fleet.js'
import { median, report } from './report.js'

const UNITS = 10_000
/** Units with an open task: their reports are taken through derive(). */
const WITH_TASK = 2000
const ROUNDS = 3
const SECONDS = 5
const IN_ONE_CALL = 10_000

let served: ServedApp
let peer: ChildProcess
let peerUrl: string
let key: string

interface Load {
  perSecond: number
  failed: number
  p99Ms: number
}

beforeAll(async () => {
  served = await serveApp()
  key = (await served.call('POST', '/keys', { name: 'platform', role: 'check-in' })).body.secret
  const packageId = await addPackage(served, '2.0.0')
  await addFleet(served, [UNITS - WITH_TASK, WITH_TASK])
  await served.call('POST', '/tasks', { group: 'fleet-1', package: packageId })
  peer = fork(new URL('./checkin-peer.child.mjs', import.meta.url))
  const [port] = await once(peer, 'message')
  peerUrl = `http://127.0.0.1:${port}`
})
afterAll(async () => {
  peer?.kill()
  await served.remove()
})

/** On a small machine the load would else wander over all processors and take from both at random. */
const canPin = spawnSync('taskset', ['--version']).status === 0

async function load(base: string, connections: number): Promise<Load> {
  const args = [`${base}/in/check-ins`, key, String(connections), String(SECONDS), String(UNITS)]
  const child = fork(new URL('./checkin-load.child.mjs', import.meta.url), args)
  if (canPin) spawnSync('taskset', ['-a', '-p', '-c', String(os.availableParallelism() - 1), String(child.pid)])
  const [told] = (await once(child, 'message')) as [Load]
  expect(told.failed).toBe(0)
  return told
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

it('check-ins', async () => {
  const few: { product: number[]; peer: number[] } = { product: [], peer: [] }
  const many: { product: Load[]; peer: Load[] } = { product: [], peer: [] }
  const bulk: number[] = []
  await load(peerUrl, 64)
  for (let n = 0; n < ROUNDS; n += 1) {
    bulk.push(await manyAtOnce(n))
    few.product.push((await load(served.publicUrl, 64)).perSecond)
    few.peer.push((await load(peerUrl, 64)).perSecond)
    many.product.push(await load(served.publicUrl, 512))
    many.peer.push(await load(peerUrl, 512))
  }
  const p99 = (of: Load[]) => median(of.map(({ p99Ms }) => p99Ms))
  report('checkins', [
    { name: '64 connections', ...few, unit: '/s', aim: { min: 0.6 } },
    {
      name: '512 connections',
      product: many.product.map(({ perSecond }) => perSecond),
      peer: many.peer.map(({ perSecond }) => perSecond),
      unit: '/s',
      aim: { min: 0.6 },
    },
    { name: '  99th percentile', value: p99(many.product), unit: 'ms', max: 50 },
    { name: '  99th percentile of the peer', value: p99(many.peer), unit: 'ms' },
    { name: `${IN_ONE_CALL} in one call`, value: median(bulk), unit: 's' },
  ])
})
