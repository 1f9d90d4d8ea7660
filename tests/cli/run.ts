// The command line as tests run it: in this process with an io of its own, or as a child as people start it.
import { type ChildProcess, spawn } from 'node:child_process'
import path from 'node:path'
import { fileURLToPath } from 'node:url'
import { runCli } from '../../src/cli/cli.js'
import type { TestApp } from '../support/app.js'

export const ROOT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../..')

export interface Said {
  exit: number
  out: string
  err: string
  /** The one value on stdout; throws where there is none, or more than one. */
  json: () => ReturnType<typeof JSON.parse>
}

export async function cli(
  args: string[],
  env: Record<string, string> = {},
  options: { isTerminal?: boolean } = {},
): Promise<Said> {
  const said = { out: '', err: '' }
  const exit = await runCli(args, {
    env,
    out: (text) => {
      said.out += text
    },
    drained: async () => undefined,
    err: (text) => {
      said.err += text
    },
    isTerminal: options.isTerminal ?? false,
    clock: Date.now,
  })
  return { exit, ...said, json: () => JSON.parse(said.out) }
}

/** Settings of a shell that asks this server. */
export const shellOf = (test: TestApp, key = test.keys.integrator): Record<string, string> => ({
  FIRMHAND_URL: test.officeUrl,
  FIRMHAND_KEY: key,
})

export interface Child {
  process: ChildProcess
  out: () => string
  err: () => string
  ended: Promise<{ exit: number | null; signal: NodeJS.Signals | null }>
}

/** `node src/launch.mjs …` with an environment of its own. */
export function launch(args: string[], env: Record<string, string> = {}): Child {
  const child = spawn(process.execPath, [path.join(ROOT, 'src', 'launch.mjs'), ...args], {
    cwd: ROOT,
    env: { PATH: process.env.PATH, HOME: process.env.HOME, ...env },
    stdio: ['ignore', 'pipe', 'pipe'],
  })
  const said = { out: '', err: '' }
  child.stdout.setEncoding('utf8').on('data', (text: string) => {
    said.out += text
  })
  child.stderr.setEncoding('utf8').on('data', (text: string) => {
    said.err += text
  })
  return {
    process: child,
    out: () => said.out,
    err: () => said.err,
    ended: new Promise((resolve) => child.on('close', (exit, signal) => resolve({ exit, signal }))),
  }
}
