// The demo: a real server on a throw-away folder, simulated cameras, one upgrade each over real HTTP.
import { mkdtemp, rm } from 'node:fs/promises'
import net from 'node:net'
import os from 'node:os'
import path from 'node:path'
import type { Command } from 'commander'
import { type App, startApp } from '../app.js'
import { readConfig } from '../config.js'
import { createLogger } from '../logger.js'
import { makeIntegratorKey } from '../server/first-key.js'
import { apiClient } from './api-client.js'

import { EXIT, type Run } from './command.js'
import { type DemoResult, runScenario } from './demo-run.js'

const PUBLIC_PORT = 8080
const OFFICE_PORT = 8081
/** Ports tried one after another. */
const PORTS_MAX = 200

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

async function startDemo(
  run: Run,
): Promise<{ app: App; secret: string; folder: string; publicUrl: string; officeUrl: string }> {
  const folder = await mkdtemp(path.join(os.tmpdir(), 'firmhand-demo-'))
  const publicPort = await freePort(PUBLIC_PORT)
  const officePort = await freePort(Math.max(OFFICE_PORT, publicPort + 1))
  const publicUrl = `http://127.0.0.1:${publicPort}`
  const config = readConfig({
    FIRMHAND_DATA: path.join(folder, 'data'),
    FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${publicPort}`,
    FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${officePort}`,
    FIRMHAND_PUBLIC_URL: publicUrl,
    FIRMHAND_LOG_LEVEL: 'error',
  })
  const { secret } = await makeIntegratorKey(config, { clock: run.io.clock, oneMore: false })
  const app = await startApp(config, createLogger(config.logLevel))
  return { app, secret, folder, publicUrl, officeUrl: `http://127.0.0.1:${officePort}` }
}

export function demoCommand(program: Command, run: Run): void {
  program
    .command('demo')
    .description('watch a few simulated cameras go through a whole upgrade')
    .option('--once', 'end by itself; exit 0 if every unit ended as the scenario says')
    .action(async (options: { once?: boolean }) => {
      const say = (line: string) => run.io.out(`${line}\n`)
      const demo = await startDemo(run)
      // Ctrl-C ends the demo as a whole at any moment.
      let interrupt!: () => void
      const interrupted = new Promise<null>((resolve) => {
        interrupt = () => resolve(null)
      })
      process.once('SIGINT', interrupt)
      process.once('SIGTERM', interrupt)
      const abort = new AbortController()
      try {
        const result = await Promise.race([
          interrupted,
          runScenario({
            api: apiClient({ url: demo.officeUrl, key: demo.secret }),
            publicUrl: demo.publicUrl,
            folder: demo.folder,
            clock: run.io.clock,
            say,
            signal: abort.signal,
          }),
        ])
        if (!result || result.asExpected !== result.units) run.end(EXIT.failed)
        if (result && !options.once) {
          sayWhereToLook(demo, result, say)
          await Promise.race([interrupted, demo.app.stopped])
        }
        if (result) say(`demo: ${result.asExpected} of ${result.units} units ended as expected`)
      } finally {
        abort.abort()
        process.off('SIGINT', interrupt)
        process.off('SIGTERM', interrupt)
        await demo.app.stop()
        await rm(demo.folder, { recursive: true, force: true })
      }
    })
}

function sayWhereToLook(
  demo: { officeUrl: string; secret: string },
  result: DemoResult,
  say: (line: string) => void,
): void {
  say('')
  say('The server stays up until Ctrl-C. Try it:')
  say(`  API and its reference page   ${demo.officeUrl}/reference`)
  say(`  a key for it                 export FIRMHAND_URL=${demo.officeUrl} FIRMHAND_KEY=${demo.secret}`)
  say('  all tasks                    npx firmhand task list')
  say('  the log, checked offline     npx firmhand audit export > log.jsonl && npx firmhand audit verify log.jsonl')
  say('  a download, cut and resumed:')
  say(`    curl -s -o fw.bin --max-filesize 1G -r 0-9999999 ${result.copyUrl}`)
  say(`    curl -C - -o fw.bin ${result.copyUrl} && sha256sum fw.bin`)
  say(`    ${result.copySha256}  is what it must be`)
}
