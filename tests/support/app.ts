// The true server, threads and all, on ports of its own and a folder of its own, with a clock that a test can move.
import { mkdtempSync, rmSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import type { Role } from '../../src/access/roles.js'
import { type App, startApp } from '../../src/app.js'
import { readConfig } from '../../src/config.js'
import { createLogger } from '../../src/logger.js'
import { makeIntegratorKey } from '../../src/server/first-key.js'

export interface Answer {
  status: number
  headers: Headers
  // The tests look at answers of every shape.
  // biome-ignore lint/suspicious/noExplicitAny: an answer is whatever the server sent
  body: any
}

export interface TestApp {
  app: App
  folder: string
  dataFolder: string
  officeUrl: string
  publicUrl: string
  /** Keys by role, made at the start. */
  keys: Record<Role, string>
  /** A call of the office API with the integrator's key, or another one (null: none). */
  call(
    method: string,
    path: string,
    body?: unknown,
    options?: { key?: string | null; headers?: Record<string, string> },
  ): Promise<Answer>
  /** The server's time, Unix ms. */
  nowMs(): number
  /** Moves the clock of all threads of the server. */
  advance(ms: number): void
  /** Stops the server and starts it again on the same folder and the same ports. */
  restart(change?: Record<string, string>): Promise<void>
  stop(): Promise<void>
}

export interface TestAppOptions {
  /** null: not set. Without it the public listener's own address. */
  publicUrl?: string | null
  behindProxy?: boolean
  settings?: Record<string, string>
}

const ROLES: Role[] = ['integrator', 'operator', 'auditor', 'check-in']

/** A port that was free a moment ago. */
async function freePort(): Promise<number> {
  const { createServer } = await import('node:net')
  return new Promise((resolve) => {
    const probe = createServer()
    probe.listen(0, '127.0.0.1', () => {
      const { port } = probe.address() as { port: number }
      probe.close(() => resolve(port))
    })
  })
}

export async function startTestApp(options: TestAppOptions = {}): Promise<TestApp> {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-test-'))
  const dataFolder = path.join(folder, 'data')
  const [publicPort, officePort] = [await freePort(), await freePort()]
  const publicUrl = `http://127.0.0.1:${publicPort}`
  const officeUrl = `http://127.0.0.1:${officePort}`
  const settings = {
    FIRMHAND_DATA: dataFolder,
    FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${publicPort}`,
    FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${officePort}`,
    FIRMHAND_PUBLIC_URL: options.publicUrl === null ? '' : (options.publicUrl ?? publicUrl),
    FIRMHAND_BEHIND_PROXY: options.behindProxy ? 'true' : 'false',
    FIRMHAND_LOG_LEVEL: 'silent',
    FIRMHAND_STOP_GRACE_SECONDS: '0',
    ...options.settings,
  }
  const config = readConfig(settings)
  const clockCell = new SharedArrayBuffer(8)
  const offset = new BigInt64Array(clockCell)
  const nowMs = () => Date.now() + Number(Atomics.load(offset, 0))
  const { secret } = await makeIntegratorKey(config, { clock: nowMs, oneMore: false })

  const test: TestApp = {
    app: await startApp(config, createLogger('silent'), { clockCell }),
    folder,
    dataFolder,
    officeUrl,
    publicUrl,
    keys: { integrator: secret, operator: '', auditor: '', 'check-in': '' },
    call: async (method, target, body, given = {}) => {
      const key = given.key === undefined ? secret : given.key
      const isText = typeof body === 'string' || body instanceof Uint8Array
      const response = await fetch(`${officeUrl}/api/v1${target}`, {
        method,
        headers: {
          ...(key !== null && { authorization: `Bearer ${key}` }),
          ...(body !== undefined && { 'content-type': isText ? 'application/octet-stream' : 'application/json' }),
          ...given.headers,
        },
        ...(body !== undefined && { body: isText ? (body as RequestInit['body']) : JSON.stringify(body) }),
      })
      const text = await response.text()
      const isJson =
        /json/.test(response.headers.get('content-type') ?? '') &&
        !/ndjson/.test(response.headers.get('content-type') ?? '')
      return { status: response.status, headers: response.headers, body: isJson ? JSON.parse(text) : text }
    },
    nowMs,
    advance: (ms) => {
      Atomics.add(offset, 0, BigInt(ms))
    },
    restart: async (change = {}) => {
      await test.app.stop()
      test.app = await startApp(readConfig({ ...settings, ...change }), createLogger('silent'), { clockCell })
    },
    stop: async () => {
      await test.app.stop()
      rmSync(folder, { recursive: true, force: true })
    },
  }
  for (const role of ROLES.slice(1)) {
    test.keys[role] = (await test.call('POST', '/keys', { name: `${role} of the test`, role })).body.secret
  }
  return test
}

/** A profile with usual times; `change` replaces members. */
export const testProfile = (change: Record<string, unknown> = {}) => ({
  id: 'sill-cam',
  title: 'Camera of the tests',
  versions: { scheme: 'semver' },
  fileName: null,
  command: {
    template: 'sill gets {url}',
    encoding: 'GSM-7',
    maxUnits: 160,
    maxSegments: 1,
    urlMaxBytes: 128,
    forbiddenInUrl: ',;',
  },
  times: { installSeconds: 1800, soakSeconds: 900, reportsApartSeconds: 600 },
  ...change,
})

/** IMEIs with a right check digit (3GPP TS 23.003 annex B), the n-th of a made-up row. */
export function testImei(n: number): string {
  const body = `00997799${String(n).padStart(6, '0')}`
  let sum = 0
  for (const [index, digit] of [...body].entries()) {
    const doubled = index % 2 === 1 ? Number(digit) * 2 : Number(digit)
    sum += doubled > 9 ? doubled - 9 : doubled
  }
  return body + String((10 - (sum % 10)) % 10)
}

/** Model, released package and units, ready for tasks. Returns ids. */
export async function prepare(
  test: TestApp,
  given: { bytes: Uint8Array; version?: string; units?: number; profile?: Record<string, unknown>; fileName?: string },
): Promise<{ packageId: string; unitIds: string[]; imeis: string[]; sha256: string }> {
  const profile = testProfile(given.profile)
  await test.call('PUT', `/models/${profile.id}`, profile)
  const query = `model=${profile.id}&version=${given.version ?? '2.0.0'}&fileName=${given.fileName ?? 'sill.bin'}`
  const added = await test.call('POST', `/packages?${query}`, given.bytes)
  const released = await test.call('POST', `/packages/${added.body.id}/release`, {})
  if (released.status !== 200) throw new Error(`could not prepare: ${JSON.stringify(released.body)}`)
  const imeis = Array.from({ length: given.units ?? 1 }, (_, index) => testImei(index + 1))
  const unitIds: string[] = []
  for (const imei of imeis) unitIds.push((await test.call('POST', '/units', { imei, model: profile.id })).body.id)
  return { packageId: added.body.id, unitIds, imeis, sha256: added.body.digests.sha256 }
}

/** Looks until it is so, or gives up with what was seen last. */
export async function until<T>(look: () => Promise<T>, isSo: (value: T) => boolean, limitMs = 15_000): Promise<T> {
  const endMs = Date.now() + limitMs
  for (;;) {
    const value = await look()
    if (isSo(value)) return value
    if (Date.now() > endMs) throw new Error(`it did not come to be: ${JSON.stringify(value)}`)
    await new Promise((resolve) => setTimeout(resolve, 50))
  }
}
