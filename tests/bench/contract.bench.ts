// The contract fuzz for long, each time with seeds of its own and a fresh fleet: what it finds is named with its seed, which
// contract.test.ts can take.
import { expect, it } from 'vitest'
import { fuzzContract } from '../http/contract-fuzz.js'
import { startTestApp } from '../support/app.js'

const LIMIT_MS = 10 * 60_000
const ROUNDS = 100

it('finds nothing that the description does not name', async () => {
  const endMs = performance.now() + LIMIT_MS
  for (let requests = 0; performance.now() < endMs; ) {
    const seed = Math.floor(Math.random() * 2 ** 31)
    const test = await startTestApp()
    const found = await fuzzContract(test, { seed, rounds: ROUNDS, limitMs: LIMIT_MS })
    await test.stop()
    requests += found.requests
    process.stdout.write(`contract: seed ${seed}, ${requests} requests so far, ${found.seen.size} kinds of answers\n`)
    expect(found.faults.join('\n'), `seed ${seed}`).toBe('')
  }
})
