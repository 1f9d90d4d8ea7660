// The shell in which the examples of one document run: a folder, a PATH in which `npx firmhand` and `npm start` are the built
// program, ports of its own, and the ids that were printed so far.
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { chmodSync, cpSync, existsSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { fileURLToPath } from 'node:url'
import { freePorts, type ServedApp, serveApp } from '../support/serve.js'

const ROOT = fileURLToPath(new URL('../../', import.meta.url))
const PROGRAM = path.join(ROOT, 'dist/src/main.js')
const UNIT = '009977022205074'

/** An example that takes longer hangs, or belongs into RUNS_ON. */
const COMMAND_MAX_MS = 45_000

/** Names that stand for what the server gave: each is the last thing of its kind that a command printed. */
const GIVEN: Record<string, RegExp> = {
  PACKAGE: /\bp_[0-9a-z]{12,}/g,
  TASK: /\bt_[0-9a-z]{12,}/g,
  UNIT: /\bu_[0-9a-z]{12,}/g,
  LINK: /\bl_[0-9a-z]{12,}/g,
  KEY_ID: /\bk_[0-9a-z]{12,}/g,
  'SEQ:HASH': /\b\d+:[0-9a-f]{64}\b/g,
}
const SECRET = /\bfmk_?-?[0-9A-Za-z_-]{16,}/g

export interface Ran {
  code: number | null
  out: string
  err: string
}

export interface ExampleShell {
  folder: string
  /** Places filled in and addresses replaced by those of this server. Throws where nothing was printed for a place. */
  prepared(command: string): string
  /** Runs to the end; exported variables stay for the commands that follow. */
  run(command: string): Promise<Ran>
  /** Starts what goes on until something happens later; gives how it ended where it did within the time. */
  runOn(command: string, ms: number): Promise<Ran | null>
  /** Starts the server in the background and waits until it is ready. */
  serve(command: string): Promise<void>
  close(): Promise<void>
}

const SCRIPTS: Record<string, string> = {
  firmhand: `exec "${process.execPath}" "${PROGRAM}" "$@"`,
  npx: `[ "$1" = firmhand ] || { echo "npx: only firmhand is there" >&2; exit 127; }\nshift\nexec firmhand "$@"`,
  npm: `[ "$1" = start ] || { echo "npm: only start is there" >&2; exit 127; }\nexec firmhand serve`,
}

/** @param options.running a server with the demo's model, a package, a unit and a task is there before the first command */
export async function openShell(options: { running: boolean }): Promise<ExampleShell> {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-examples-'))
  const bin = path.join(folder, '.bin')
  mkdirSync(bin)
  for (const [name, script] of Object.entries(SCRIPTS)) {
    writeFileSync(path.join(bin, name), `#!/bin/sh\n${script}\n`)
    chmodSync(path.join(bin, name), 0o755)
  }
  cpSync(path.join(ROOT, 'demo-data'), path.join(folder, 'demo-data'), { recursive: true })
  const given = new Map<string, string>()
  const learn = (text: string) => {
    for (const [name, pattern] of Object.entries(GIVEN)) {
      const last = text.match(pattern)?.at(-1)
      if (last) given.set(name, last)
    }
    const secret = text.match(SECRET)?.at(-1)
    if (secret) given.set('…', secret)
  }

  let served: ServedApp | null = null
  const [publicPort, officePort] = (await freePorts(2)) as [number, number]
  const here = { publicUrl: `http://127.0.0.1:${publicPort}`, officeUrl: `http://127.0.0.1:${officePort}` }
  const env: Record<string, string> = { PATH: `${bin}:${process.env.PATH}`, HOME: folder, LANG: 'C.UTF-8' }
  if (options.running) {
    served = await serveApp()
    Object.assign(here, { publicUrl: served.publicUrl, officeUrl: served.officeUrl })
    env.FIRMHAND_KEY = served.key
    env.FIRMHAND_DATA = served.dataFolder
    env.KEY = await fillFleet(served, folder, learn)
  } else {
    env.FIRMHAND_OFFICE_LISTEN = `127.0.0.1:${officePort}`
  }
  env.FIRMHAND_URL = here.officeUrl
  const listen = new URL(here.publicUrl).host
  /** What a document writes for a server of the reader's, and what it is here. */
  const replaced: [string, string][] = [
    ["'[::]:80'", listen],
    ['http://fw.example.com', here.publicUrl],
    ['http://127.0.0.1:8081', here.officeUrl],
    ['http://localhost:8081', here.officeUrl],
    ['http://127.0.0.1:8080', here.publicUrl],
    ['/var/lib/firmhand', served?.dataFolder ?? path.join(folder, 'data')],
    ['/mnt/backup', path.join(folder, 'backup')],
    ['/opt/firmhand', folder],
  ]

  const stateFile = path.join(folder, '.exported')
  const background: ChildProcess[] = []
  const start = (command: string): ChildProcess => {
    const restore = existsSync(stateFile) ? `. ${stateFile}\n` : ''
    const script = `${restore}${command}\ncode=$?\nexport -p > ${stateFile}\nexit $code`
    return spawn('bash', ['-c', script], { cwd: folder, env, detached: true, stdio: ['ignore', 'pipe', 'pipe'] })
  }
  const read = (child: ChildProcess): { out: string; err: string } => {
    const said = { out: '', err: '' }
    child.stdout!.setEncoding('utf8').on('data', (text: string) => {
      said.out += text
    })
    child.stderr!.setEncoding('utf8').on('data', (text: string) => {
      said.err += text
    })
    return said
  }
  const end = async (child: ChildProcess): Promise<void> => {
    if (child.exitCode !== null || child.signalCode !== null) return
    const closed = once(child, 'close')
    process.kill(-child.pid!, 'SIGTERM')
    await closed
  }

  return {
    folder,
    prepared: (command) => {
      let text = command
      for (const [shown, real] of replaced) text = text.replaceAll(shown, real)
      text = text.replace(/^((?:export )?\w+=)…/gm, (_all, name) => name + (given.get('…') ?? fail('a key')))
      for (const name of Object.keys(GIVEN)) {
        text = text.replace(new RegExp(`(?<![\\w$-])${name}(?![\\w])`, 'g'), () => given.get(name) ?? fail(name))
      }
      return text
    },
    run: async (command) => {
      const child = start(command)
      const said = read(child)
      const timer = setTimeout(() => process.kill(-child.pid!, 'SIGKILL'), COMMAND_MAX_MS)
      const [code] = await once(child, 'close')
      clearTimeout(timer)
      learn(`${said.err}\n${said.out}`)
      return { code, ...said }
    },
    runOn: async (command, ms) => {
      const child = start(command)
      const said = read(child)
      const closed = once(child, 'close').then(([code]) => ({ code, ...said }))
      const ran = await Promise.race([closed, new Promise<null>((resolve) => setTimeout(() => resolve(null), ms))])
      await end(child)
      return ran
    },
    serve: async (command) => {
      const child = start(command)
      const said = read(child)
      background.push(child)
      for (let tries = 0; ; tries += 1) {
        const ready = await fetch(`${here.officeUrl}/readyz`).catch(() => null)
        if (ready?.ok) return
        if (tries > 300 || child.exitCode !== null)
          throw new Error(`${command} did not come up: ${said.out}${said.err}`)
        await new Promise((resolve) => setTimeout(resolve, 100))
      }
    },
    close: async () => {
      for (const child of background) await end(child)
      await served?.remove()
      rmSync(folder, { recursive: true, force: true })
    },
  }
}

function fail(name: string): never {
  throw new Error(`nothing before this printed what ${name} stands for`)
}

/** The demo's model, a released package, a unit that runs the version before, and an open task. Returns a check-in key. */
async function fillFleet(served: ServedApp, folder: string, learn: (text: string) => void): Promise<string> {
  const call = async (method: string, target: string, body: unknown) => {
    const answer = await served.call(method, target, body)
    if (answer.status >= 300) throw new Error(`${method} ${target}: ${JSON.stringify(answer.body)}`)
    return answer.body
  }
  const profile = JSON.parse(readFileSync(path.join(ROOT, 'demo-data/models/tarnlight-t1.json'), 'utf8'))
  await call('PUT', `/models/${profile.id}`, profile)
  const file = Buffer.alloc(200_000, 7)
  writeFileSync(path.join(folder, 'tarnlight-W25-41.img'), file)
  const query = `model=${profile.id}&version=W25-41&fileName=tarnlight-W25-41.img`
  const pack = await call('POST', `/packages?${query}`, file)
  await call('POST', `/packages/${pack.id}/release`, {})
  const unit = await call('POST', '/units', {
    imei: UNIT,
    model: profile.id,
    groups: ['depot-north'],
    phone: '+441632960342',
  })
  await call('POST', '/check-ins', { unit: UNIT, version: 'W25-07' })
  const { tasks } = await call('POST', '/tasks', { unit: UNIT, package: pack.id })
  learn(`${pack.id} ${unit.id} ${tasks[0].id} ${tasks[0].link.id}`)
  writeFileSync(
    path.join(folder, 'reports.ndjson'),
    `${JSON.stringify({ unit: UNIT, version: 'W25-07', id: 'r-1' })}\n`,
  )
  return (await call('POST', '/keys', { name: 'fleet platform', role: 'check-in' })).secret
}
