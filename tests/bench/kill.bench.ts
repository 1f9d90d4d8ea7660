// 200 kills of the real server at random moments under load, and the table of what was looked at after them. KILL_SEED
// repeats the moments of a run, KILL_COUNT changes the number.
import { expect, it } from 'vitest'
import { runKills } from '../server/kill-run.js'

it(
  'kill -9 at random moments',
  async () => {
    const seed = Number(process.env.KILL_SEED ?? Math.floor(Math.random() * 2 ** 31))
    const kills = Number(process.env.KILL_COUNT ?? 200)
    const beganMs = performance.now()
    const say = (line: string) => process.stdout.write(`kill  ${line}\n`)
    say(`seed ${seed} (KILL_SEED=${seed} repeats these moments)`)
    const result = await runKills({ seed, kills, told: say })
    const rows: [string, string | number][] = [
      ...Object.entries(result.kills).map(([how, number]): [string, number] => [`killed: ${how}`, number]),
      ...Object.entries(result.checked).map(([kind, number]): [string, number] => [`checked: ${kind}`, number]),
      ['start, median ms', [...result.startMs].sort((a, b) => a - b)[Math.floor(result.startMs.length / 2)] ?? 0],
      ['seconds', Math.round((performance.now() - beganMs) / 1000)],
      ['faults', result.faults.length],
    ]
    for (const [name, value] of rows) say(`${name.padEnd(24)} ${String(value).padStart(12)}`)
    expect(result.faults).toEqual([])
  },
  30 * 60_000,
)
