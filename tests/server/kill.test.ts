// kill -9 of the real server at random moments under load. What was answered is there, what was refused is not, what was
// not answered is there whole or not at all, and no ledger claims a byte that is not in the client's file. The full number:
// npm run bench -- kill.
import { expect, it } from 'vitest'
import { runKills } from './kill-run.js'

/** As many kills as fit; on a loaded machine fewer, but the two of the first start and two under load. */
const WITHIN_MS = 10_000
const KILLS_LEAST = 4

it('kill -9 at random moments loses nothing answered and claims nothing that did not arrive', async () => {
  const seed = Number(process.env.KILL_SEED ?? Math.floor(Math.random() * 2 ** 31))
  const result = await runKills({ seed, kills: 200, withinMs: WITHIN_MS })
  expect(result.faults, `KILL_SEED=${seed} repeats these moments`).toEqual([])
  // None of this was empty.
  expect(Object.values(result.kills).reduce((a, b) => a + b, 0)).toBeGreaterThanOrEqual(KILLS_LEAST)
  for (const kind of ['packages', 'check-ins', 'tasks', 'links', 'keys', 'refused', 'repeats']) {
    expect(result.checked[kind], kind).toBeGreaterThan(0)
  }
}, 180_000)
