// The real server process, killed at random moments again and again: during its start, under load, while it stops. The
// moments follow from a seed (what the scheduler makes of them does not). Used by kill.test.ts for as many as fit into its
// time, and by `npm run bench -- kill` for 200.
import { randomBytes } from 'node:crypto'
import { seededRandom } from '../../src/camera/seeded-random.js'
import { serveApp } from '../support/serve.js'
import { checkAll } from './kill-check.js'
import { emptyJournal, type KillRun } from './kill-journal.js'
import { load, MODEL, newUnit, profileOf } from './kill-load.js'

/** Kills on one data folder; then all of it is checked, and a new folder begins with kills of the very first start. */
const KILLS_PER_FOLDER = 20
const FILE_BYTES = 4_000_000
const REPORTERS = 20
/** Where in its life the process is killed, and how often. */
const SHARES = { start: 0.15, stop: 0.1 }
/** The longest load before a kill. */
const LOAD_MS = 1200
/**
 * Of the kills under load, those whose moment counts from a download on, however slow the machine is; and the longest
 * time from there on. What the kernel counts is read once a second and recorded once a second: by then there are claims.
 */
const SHARE_MID_DOWNLOAD = 0.5
const MID_DOWNLOAD_MS = 2500
const STOP_MS = 400
/** Under load, whatever the time. */
const LOAD_KILLS_LEAST = 2
/** For the first answers of a folder on a machine that has other work. */
const BUSY_MS = 30_000

export interface KillResult {
  seed: number
  kills: Record<'first start' | 'start' | 'load' | 'stop', number>
  checked: Record<string, number>
  startMs: number[]
  faults: string[]
}

/** @param given.kills how many; @param given.withinMs no further kill after so long, once there were a few under load. */
export async function runKills(given: {
  seed: number
  kills: number
  withinMs?: number
  told?: (line: string) => void
}): Promise<KillResult> {
  const moments = seededRandom(given.seed)
  // Dice of their own: how often the load throws them depends on the machine.
  const random = seededRandom(given.seed + 1)
  const endMs = performance.now() + (given.withinMs ?? Infinity)
  const result: KillResult = {
    seed: given.seed,
    kills: { 'first start': 0, start: 0, load: 0, stop: 0 },
    checked: {},
    startMs: [],
    faults: [],
  }
  const checked = new Map<string, number>()
  const sum = () => Object.values(result.kills).reduce((a, b) => a + b, 0)
  while (sum() < given.kills && performance.now() < endMs && result.faults.length === 0) {
    const kills = Math.min(KILLS_PER_FOLDER, given.kills - sum())
    await oneFolder({ moments, random, kills, endMs, result, checked })
    given.told?.(`${sum()} kills, ${result.faults.length} faults`)
  }
  result.checked = Object.fromEntries(checked)
  return result
}

async function oneFolder(given: {
  moments: () => number
  random: () => number
  kills: number
  endMs: number
  result: KillResult
  checked: Map<string, number>
}): Promise<void> {
  const { moments, result } = given
  const served = await serveApp({ started: false })
  try {
    const startMs = () => 1.2 * (result.startMs.at(-1) ?? 1500)
    let left = given.kills
    // A folder that does not exist yet: secret, lock, database and its tables are made while the process is killed.
    for (let n = 0; n < 2 && left > 1; n += 1, left -= 1) {
      await served.startAndKill(moments() * startMs())
      result.kills['first start'] += 1
    }
    await served.addKey(false)
    await served.start()
    const run = await prepareRun(given, served)
    const isTime = () => performance.now() < given.endMs || result.kills.load < LOAD_KILLS_LEAST
    let busyOnce = false
    for (; left > 0 && isTime() && run.faults.length === 0; left -= 1) {
      // When the time is over, what is left to do is what the run is about.
      const dice = performance.now() < given.endMs ? moments() : 1
      if (dice < SHARES.start) {
        await served.kill()
        await served.startAndKill(moments() * startMs())
        result.kills.start += 1
      } else {
        const how = dice < SHARES.start + SHARES.stop ? 'stop' : 'load'
        await killUnderLoad(run, { how, moments, busyFirst: !busyOnce })
        busyOnce = true
        result.kills[how] += 1
      }
      await served.start()
      result.startMs.push(Math.round(served.startMs))
      run.over = false
      run.withheld = 0
      await checkAll(run, false)
    }
    const { code } = await served.terminate()
    if (code !== 0) run.faults.push(`SIGTERM ended it with ${code}`)
    await served.start()
    await checkAll(run, true)
    result.faults.push(...run.faults)
    if (/"level":(50|60)/.test(served.output()))
      result.faults.push(`the log holds errors: ${errorsOf(served.output())}`)
  } finally {
    await served.remove()
  }
}

const errorsOf = (output: string): string =>
  output
    .split('\n')
    .filter((line) => /"level":(50|60)/.test(line))
    .slice(0, 3)
    .join('\n')

/** @param given.busyFirst not before something of each kind was answered, so that no folder's checks are empty. */
async function killUnderLoad(
  run: KillRun,
  given: { how: 'stop' | 'load'; moments: () => number; busyFirst: boolean },
): Promise<void> {
  const { served, journal } = run
  const midDownload = given.busyFirst || given.moments() < SHARE_MID_DOWNLOAD
  const afterMs = given.moments() * (midDownload ? MID_DOWNLOAD_MS : LOAD_MS)
  const stopMs = given.moments() * STOP_MS
  const working = load(run)
  const isBusy = () =>
    run.withheld > 0 &&
    journal.tasks.size > 0 &&
    journal.links.size > 0 &&
    journal.keys.size > 0 &&
    [...journal.uploads.values()].some(({ answered }) => answered) &&
    [...journal.checkins.values()].some(({ answered }) => answered) &&
    journal.clients.some(({ held }) => held.length > 0)
  const giveUpMs = performance.now() + BUSY_MS
  const isTime = given.busyFirst ? isBusy : () => !midDownload || run.withheld > 0
  while (!isTime() && performance.now() < giveUpMs) await pause(20)
  await pause(afterMs)
  run.over = true
  if (given.how === 'load') await served.kill()
  else await served.terminateAndKill(stopMs)
  await working
}

const pause = (ms: number) => new Promise((resolve) => setTimeout(resolve, ms))

async function prepareRun(
  given: { random: () => number; checked: Map<string, number> },
  served: KillRun['served'],
): Promise<KillRun> {
  let number = 0
  const bytes = randomBytes(FILE_BYTES)
  const add = async (version: string): Promise<string> => {
    const place = `/packages?model=${MODEL}&version=${version}&fileName=sill.bin`
    const pack = (await served.call('POST', place, bytes)).body
    await served.call('POST', `/packages/${pack.id}/release`, {})
    return pack.id
  }
  await served.call('PUT', `/models/${MODEL}`, profileOf(0))
  const run: KillRun = {
    served,
    journal: emptyJournal(),
    random: given.random,
    packages: { a: await add('2.0.0'), b: await add('2.1.0'), bytes },
    platformKey: (await served.call('POST', '/keys', { name: 'platform', role: 'check-in' })).body.secret,
    over: false,
    withheld: 0,
    faults: [],
    checked: given.checked,
    nextNumber: () => {
      number += 1
      return number
    },
  }
  for (let n = 0; n < REPORTERS; n += 1) run.journal.reporters.push((await newUnit(run))!)
  // Half of them have a task that the reports move.
  const units = run.journal.reporters.slice(0, REPORTERS / 2)
  await served.call('POST', '/tasks', { units, package: run.packages.b })
  return run
}
