// The demo: a real server on a throw-away folder, simulated cameras, one upgrade each over real HTTP.
import { rmSync } from 'node:fs'
import { mkdtemp, rm } from 'node:fs/promises'
import net from 'node:net'
import os from 'node:os'
import path from 'node:path'
import type { Command } from 'commander'
import { startApp } from '../app.js'
import { readConfig } from '../config.js'
import { createLogger } from '../logger.js'
import { makeIntegratorKey } from '../server/first-key.js'
import { apiClient } from './api-client.js'
import { EXIT, type Run } from './command.js'
import { type DemoResult, runScenario } from './demo-run.js'
import { createStory, type Story } from './demo-story.js'

const PUBLIC_PORT = 8080
/** Ports tried one after another. */
const PORTS_MAX = 200
/** `--once` promises an end within two minutes, whatever hangs: the scenario's own limit lies below the first. */
const RUN_MS_MAX = 95_000
const STOP_MS_MAX = 10_000
const HELD_MS_MAX = 3_000

/** The first port from `from` on that is free on all addresses of this machine. */
async function freePort(from: number): Promise<number> {
  for (let port = from; port < from + PORTS_MAX; port += 1) {
    const isFree = await new Promise<boolean>((resolve) => {
      const probe = net.createServer()
      probe.once('error', () => resolve(false))
      probe.listen(port, () => probe.close(() => resolve(true)))
    })
    if (isFree) return port
  }
  throw new Error(`No free port from ${from} to ${from + PORTS_MAX - 1}.`)
}

interface Demo {
  publicUrl: string
  officeUrl: string
  secret: string
  stopped: Promise<unknown>
  stop(): Promise<void>
}

async function startDemo(run: Run, folder: string): Promise<Demo> {
  const publicPort = await freePort(PUBLIC_PORT)
  const officePort = await freePort(publicPort + 1)
  const publicUrl = `http://127.0.0.1:${publicPort}`
  const config = readConfig({
    FIRMHAND_DATA: path.join(folder, 'data'),
    FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${publicPort}`,
    FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${officePort}`,
    FIRMHAND_PUBLIC_URL: publicUrl,
    // Some cameras of the scenario stand still for good: nobody waits for them.
    FIRMHAND_STOP_GRACE_SECONDS: '0',
    FIRMHAND_LOG_LEVEL: 'error',
  })
  const { secret } = await makeIntegratorKey(config, { clock: run.io.clock, oneMore: false })
  const app = await startApp(config, createLogger(config.logLevel, { write: run.io.err }))
  return { publicUrl, officeUrl: `http://127.0.0.1:${officePort}`, secret, stopped: app.stopped, stop: app.stop }
}

/**
 * Ctrl-C ends the demo in order, wherever it is. It may come more than once, npm and the terminal both hand it on: it is
 * caught until the process ends, so that a second one does not cut the ending short.
 */
function interrupted(): AbortSignal {
  const abort = new AbortController()
  for (const name of ['SIGINT', 'SIGTERM', 'SIGHUP'] as const) process.on(name, () => abort.abort())
  return abort.signal
}

const aborted = (signal: AbortSignal): Promise<void> =>
  new Promise((resolve) => {
    if (signal.aborted) resolve()
    signal.addEventListener('abort', () => resolve(), { once: true })
  })

/** Waits, but not for ever. True = it did not come to its end in that time. */
async function within(limitMs: number, work: Promise<unknown>): Promise<boolean> {
  let timer: NodeJS.Timeout | undefined
  const limit = new Promise<true>((resolve) => {
    timer = setTimeout(() => resolve(true), limitMs)
  })
  const hung = await Promise.race([limit, work.then(() => false)]).finally(() => clearTimeout(timer))
  return hung
}

export function demoCommand(program: Command, run: Run): void {
  program
    .command('demo')
    .description('watch simulated cameras go through a whole upgrade')
    .option('--once', 'end by itself; exit 0 if every unit ended as the scenario says')
    .action(async (options: { once?: boolean }) => {
      const signal = interrupted()
      const folder = await mkdtemp(path.join(os.tmpdir(), 'firmhand-demo-'))
      // The last resort, for an end that passes the way below by.
      const sweep = () => rmSync(folder, { recursive: true, force: true })
      process.on('exit', sweep)
      let demo: Demo | null = null
      try {
        demo = await startDemo(run, folder)
        await play(run, { demo, folder, signal, once: options.once ?? false })
      } finally {
        const hung = demo && (await within(STOP_MS_MAX, demo.stop()))
        if (hung) run.io.err(`The server did not stop within ${STOP_MS_MAX / 1000} s; the demo ends without it.\n`)
        await rm(folder, { recursive: true, force: true, maxRetries: 3 })
        process.off('exit', sweep)
        // Once all is done nothing should hold the process; what does, a thread that hangs, must not hold it for ever.
        setTimeout(() => process.exit(), HELD_MS_MAX).unref()
      }
    })
}

async function play(
  run: Run,
  given: { demo: Demo; folder: string; signal: AbortSignal; once: boolean },
): Promise<void> {
  const { demo, signal, once } = given
  // With --json the one value has stdout for itself.
  const story = createStory({
    say: (line) => (run.json() ? run.io.err(`${line}\n`) : run.io.out(`${line}\n`)),
    progress: run.io.isTerminal ? run.io.err : null,
  })
  story.opening({ publicUrl: demo.publicUrl, officeUrl: demo.officeUrl })
  const running = runScenario({
    api: apiClient({ url: demo.officeUrl, key: demo.secret }),
    publicUrl: demo.publicUrl,
    folder: given.folder,
    clock: run.io.clock,
    story,
    signal,
  }).catch((error: unknown) => {
    if (!signal.aborted) throw error
    return null
  })
  const hung = await Promise.race([
    within(RUN_MS_MAX, running),
    aborted(signal).then(() => within(STOP_MS_MAX, running)), // Whoever presses Ctrl-C does not wait as long.
  ])
  if (hung) {
    throw new Error(
      `The demo did not come to its end within ${RUN_MS_MAX / 1000} s: the machine is too busy, or it hangs.`,
    )
  }
  const result = await running
  if (!result) {
    story.interrupted()
    if (once) run.end(EXIT.failed)
    return
  }
  const { outcomes, isLogIntact } = result
  const asExpected = outcomes.filter((outcome) => outcome.asExpected).length
  if (asExpected < outcomes.length || !isLogIntact) run.end(EXIT.failed)
  if (run.json()) run.io.out(`${JSON.stringify({ units: outcomes.length, asExpected, isLogIntact, outcomes })}\n`)
  if (!once) sayWhereToLook(story, demo, result)
  // The last line of a run that ends by itself; behind it stands nothing.
  if (!run.json()) run.io.out(`\ndemo: ${asExpected} of ${outcomes.length} units ended as expected\n`)
  if (!once) await Promise.race([aborted(signal), demo.stopped])
}

/** Tasks that are worth a look, by what their camera did. */
const WORTH_A_LOOK: [behaviour: string, why: string][] = [
  ['drops-and-resumes', 'which of its bytes are proven, and which inferred'],
  ['lies-about-version', 'confirmed by its own word alone, and flagged'],
  ['downloads-for-ever', 'stopped by its byte budget'],
]

function historyOf({ outcomes }: DemoResult): string[] {
  const word = outcomes.find(({ behaviour }) => behaviour === 'clock-at-1970')
  return word ? [`# ${word.unit}: all that happened to it`, `npx firmhand unit history ${word.imei}`] : []
}

function sayWhereToLook(story: Story, demo: Demo, result: DemoResult): void {
  story.chapter('Look around: the server stays up until Ctrl-C. In a second terminal, here:')
  const shown = WORTH_A_LOOK.flatMap(([behaviour, why]) => {
    const outcome = result.outcomes.find((one) => one.behaviour === behaviour)
    return outcome?.task ? [`# ${outcome.unit}: ${why}`, `npx firmhand task show ${outcome.task}`] : []
  })
  for (const line of [
    `export FIRMHAND_URL=${demo.officeUrl} FIRMHAND_KEY=${demo.secret}`,
    'npx firmhand task list',
    ...shown,
    ...historyOf(result),
    '# the whole log, checked as anybody can who has a copy',
    'npx firmhand audit export > /tmp/log.jsonl',
    'npx firmhand audit verify /tmp/log.jsonl',
    '# a download that is cut after 5 MB and then resumed, by hand',
    `curl -s -r 0-4999999 -o /tmp/fw.bin ${result.copyUrl}`,
    `curl -s -C - -o /tmp/fw.bin ${result.copyUrl}`,
    'sha256sum /tmp/fw.bin',
    `# ${result.copySha256} is right`,
  ]) {
    story.line(line)
  }
  story.line('')
  story.line(`The API's reference page, for a browser: ${demo.officeUrl}/reference`)
  story.line('What each camera did and what that shows: docs/camera-simulator.md')
}
