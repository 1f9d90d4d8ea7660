// The server as a process of its own, as it is started for real: for tests that kill it, starve it or read its output.
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { closeSync, mkdtempSync, openSync, readFileSync, rmSync } from 'node:fs'
import { createServer } from 'node:net'
import os from 'node:os'
import path from 'node:path'
import { fileURLToPath } from 'node:url'
import { readConfig } from '../../src/config.js'
import { makeIntegratorKey } from '../../src/server/first-key.js'
import type { Answer } from './app.js'

const ROOT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '..', '..')

export interface ServedApp {
  readonly process: ChildProcess
  folder: string
  dataFolder: string
  publicPort: number
  officePort: number
  publicUrl: string
  officeUrl: string
  readonly key: string
  /** `init`, from a process beside the server; `oneMore` as --new-key. The first one becomes `key`. */
  addKey(oneMore: boolean): Promise<string>
  call(
    method: string,
    path: string,
    body?: unknown,
    options?: { key?: string; headers?: Record<string, string> },
  ): Promise<Answer>
  /** Everything that all runs printed so far. */
  output(): string
  /** Starts it again, on the same folder and ports. */
  start(): Promise<void>
  /** The same, killed so many ms after the process was made, whether it serves by then or not. */
  startAndKill(afterMs: number): Promise<void>
  /** SIGKILL, at once. */
  kill(): Promise<void>
  /** SIGTERM, then SIGKILL so many ms later, unless it has ended by then. */
  terminateAndKill(afterMs: number): Promise<void>
  /** How long the last start took until it served. */
  readonly startMs: number
  /** SIGTERM; gives the exit code (null: by a signal) and how long it took. */
  terminate(): Promise<{ code: number | null; ms: number }>
  /** Kills it where it still runs and removes the folder. */
  remove(): Promise<void>
}

/** The program, as the build made it. */
export const MAIN = path.join(ROOT, 'dist/src/main.js')

/** Ports that were free a moment ago. */
export async function freePorts(count: number): Promise<number[]> {
  const probes = Array.from({ length: count }, () => createServer().listen(0, '127.0.0.1'))
  await Promise.all(probes.map((probe) => once(probe, 'listening')))
  const ports = probes.map((probe) => (probe.address() as { port: number }).port)
  await Promise.all(probes.map((probe) => new Promise((resolve) => probe.close(resolve))))
  return ports
}

/** Runs the program to its end. @param before a command with arguments that starts it, e.g. under a limit */
export async function runProgram(
  args: string[],
  env: Record<string, string>,
  before: readonly string[] = [],
): Promise<{ code: number | null; stdout: string; stderr: string }> {
  const [command, ...rest] = [...before, process.execPath, MAIN, ...args]
  const child = spawn(command!, rest, { env: { PATH: process.env.PATH, ...env } })
  let [stdout, stderr] = ['', '']
  child.stdout.on('data', (bytes) => {
    stdout += bytes
  })
  child.stderr.on('data', (bytes) => {
    stderr += bytes
  })
  const [code] = await once(child, 'close')
  return { code, stdout, stderr }
}

export interface ServeOptions {
  /** Further FIRMHAND_ settings. */
  settings?: Record<string, string>
  /** Another place for the data folder, e.g. a small file system. */
  dataFolder?: string
  /** Its stdout goes to this file, and `output()` has stderr alone. For one start. */
  logFile?: string
  /** false: the folder stays as it is, nothing is started, and `key` is empty until `addKey`. */
  started?: boolean
}

export async function serveApp(options: ServeOptions = {}): Promise<ServedApp> {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-serve-'))
  const dataFolder = options.dataFolder ?? path.join(folder, 'data')
  const [publicPort, officePort] = (await freePorts(2)) as [number, number]
  const publicUrl = `http://127.0.0.1:${publicPort}`
  const officeUrl = `http://127.0.0.1:${officePort}`
  const env: Record<string, string> = {
    FIRMHAND_DATA: dataFolder,
    FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${publicPort}`,
    FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${officePort}`,
    FIRMHAND_PUBLIC_URL: publicUrl,
    FIRMHAND_STOP_GRACE_SECONDS: '0',
    ...options.settings,
  }
  const addKey = async (oneMore: boolean): Promise<string> =>
    (await makeIntegratorKey(readConfig(env), { clock: Date.now, oneMore })).secret
  let secret = ''
  // Made by the first start.
  let child!: ChildProcess
  let output = ''
  let startMs = 0

  const make = (): void => {
    const log = options.logFile === undefined ? 'pipe' : openSync(options.logFile, 'a')
    child = spawn(process.execPath, [MAIN, 'serve'], {
      env: { PATH: process.env.PATH, ...env },
      stdio: ['ignore', log, 'pipe'],
    })
    if (log !== 'pipe') closeSync(log)
    for (const stream of [child.stdout, child.stderr]) {
      stream?.on('data', (bytes: Buffer) => {
        output += bytes
      })
    }
  }
  const start = async (): Promise<void> => {
    const beganMs = performance.now()
    const before = output.length
    make()
    const log = () => (options.logFile === undefined ? output.slice(before) : readFileSync(options.logFile, 'utf8'))
    let timer: NodeJS.Timeout | undefined
    await new Promise<void>((resolve, reject) => {
      timer = setInterval(() => {
        if (log().includes('"serving"')) resolve()
      }, 10)
      child.once('exit', (code, signal) => reject(new Error(`the server ended (${code ?? signal}): ${output}`)))
    }).finally(() => clearInterval(timer))
    startMs = performance.now() - beganMs
  }
  const isOver = () => child.exitCode !== null || child.signalCode !== null
  const ended = async () => {
    if (!isOver()) await once(child, 'exit')
  }
  const killAfter = async (ms: number): Promise<void> => {
    const over = ended()
    await Promise.race([over, new Promise((resolve) => setTimeout(resolve, ms))])
    if (!isOver()) child.kill('SIGKILL')
    await over
  }
  if (options.started !== false) {
    secret = await addKey(false)
    await start()
  }

  const served: ServedApp = {
    get process() {
      return child
    },
    folder,
    dataFolder,
    publicPort,
    officePort,
    publicUrl,
    officeUrl,
    get key() {
      return secret
    },
    get startMs() {
      return startMs
    },
    addKey: async (oneMore) => {
      const made = await addKey(oneMore)
      secret ||= made
      return made
    },
    call: async (method, target, body, given = {}) => {
      const isBytes = body instanceof Uint8Array
      const response = await fetch(`${officeUrl}/api/v1${target}`, {
        method,
        headers: {
          authorization: `Bearer ${given.key ?? secret}`,
          // Each call on a connection of its own: what a killed server left in the pool is not used again.
          connection: 'close',
          ...(body !== undefined && { 'content-type': isBytes ? 'application/octet-stream' : 'application/json' }),
          ...given.headers,
        },
        ...(body !== undefined && {
          body: isBytes ? (body as unknown as NonNullable<RequestInit['body']>) : JSON.stringify(body),
        }),
      })
      const text = await response.text()
      const isJson = /json\b/.test(response.headers.get('content-type') ?? '') && text.startsWith('{')
      const isLines = /jsonl|ndjson/.test(response.headers.get('content-type') ?? '')
      return { status: response.status, headers: response.headers, body: isJson && !isLines ? JSON.parse(text) : text }
    },
    output: () => output,
    start,
    startAndKill: async (afterMs) => {
      make()
      await killAfter(afterMs)
    },
    kill: async () => {
      child.kill('SIGKILL')
      await ended()
    },
    terminateAndKill: async (afterMs) => {
      child.kill('SIGTERM')
      await killAfter(afterMs)
    },
    terminate: async () => {
      const startMs = performance.now()
      child.kill('SIGTERM')
      await ended()
      return { code: child.exitCode, ms: performance.now() - startMs }
    },
    remove: async () => {
      if (child !== undefined && !isOver()) await served.kill()
      rmSync(folder, { recursive: true, force: true })
    },
  }
  return served
}

/** A number out of /proc/PID/status, e.g. VmHWM, the highest memory of a process so far, KiB (proc(5)). */
export function processStatus(pid: number, name: string): number {
  return Number(new RegExp(`^${name}:\\s+(\\d+)`, 'm').exec(readFileSync(`/proc/${pid}/status`, 'utf8'))?.[1])
}
