// No call, however odd, is answered with what the API's description does not name, and none makes the server fail. The
// values come from the description itself. For longer, with a new seed each time: `npm run bench -- contract`.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { startTestApp, type TestApp } from '../support/app.js'
import { type Found, fuzzContract } from './contract-fuzz.js'

/** The same calls in every run; a fault that the long run finds is kept by its seed here. */
const SEED = 20_260_112
const ROUNDS = 30
/** A slow machine asks less often rather than long. */
const LIMIT_MS = 60_000

let test: TestApp
let found: Found
beforeAll(async () => {
  test = await startTestApp()
  process.stdout.write(`contract: seed ${SEED}\n`)
  found = await fuzzContract(test, { seed: SEED, rounds: ROUNDS, limitMs: LIMIT_MS })
}, 90_000)
afterAll(() => test.stop())

describe('a contract fuzz', () => {
  it('finds no failure of the server and nothing undocumented', () => {
    expect(found.faults.join('\n')).toBe('')
  })

  it('reached behind the schemas: every call was refused in more than one way, and nearly every one did its work', () => {
    const places = new Map<string, Set<number>>()
    for (const key of found.seen.keys()) {
      const [method, path, status] = key.split(' ') as [string, string, string]
      const statuses = places.get(`${method} ${path}`) ?? new Set()
      places.set(`${method} ${path}`, statuses.add(Number(status)))
    }
    const all = new Set([...places.values()].flatMap((statuses) => [...statuses]))
    for (const status of [200, 201, 204, 400, 401, 403, 404, 409, 415, 422]) expect([...all]).toContain(status)
    const idle = [...places].filter(([, statuses]) => ![...statuses].some((status) => status < 300))
    expect(idle.map(([place]) => place)).toEqual([])
  })

  it('left a log that verifies, and a server that is well', async () => {
    const { body } = await test.call('GET', '/audit?format=jsonl')
    expect(await verifyExport(exportLines([Buffer.from(body)]))).toMatchObject({ ok: true, complete: true })
    expect((await fetch(`${test.officeUrl}/readyz`)).status).toBe(200)
    expect((await fetch(`${test.publicUrl}/healthz`)).status).toBe(200)
  })
})
