// A part of the server fails, or cannot start: the whole stops cleanly, says why, and holds nothing back.
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import net from 'node:net'
import os from 'node:os'
import path from 'node:path'
import type { Worker } from 'node:worker_threads'
import BetterSqlite from 'better-sqlite3'
import { afterEach, describe, expect, it } from 'vitest'
import { type App, startApp } from '../../src/app.js'
import { readConfig } from '../../src/config.js'
import { createLogger } from '../../src/logger.js'
import { makeIntegratorKey } from '../../src/server/first-key.js'
import { freePorts } from '../support/serve.js'

/** Several starts, each of some seconds on a machine that has other work. */
const STARTS_MS = 120_000
const folders: string[] = []
afterEach(() => {
  for (const folder of folders.splice(0)) rmSync(folder, { recursive: true, force: true })
})

async function settings() {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-crash-'))
  folders.push(folder)
  const [publicPort, officePort] = (await freePorts(2)) as [number, number]
  const config = readConfig({
    FIRMHAND_DATA: path.join(folder, 'data'),
    FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${publicPort}`,
    FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${officePort}`,
  })
  return { config, publicPort, officePort, dataFolder: path.join(folder, 'data') }
}

/** Starts it; Node tells of every thread that begins, in the order writer, public. */
async function startWatched(
  config: Parameters<typeof startApp>[0],
): Promise<{ app: App; writer: Worker; publicThread: Worker }> {
  const workers: Worker[] = []
  const note = (worker: Worker) => void workers.push(worker)
  process.on('worker', note)
  try {
    const app = await startApp(config, createLogger('silent'))
    return { app, writer: workers[0]!, publicThread: workers[1]! }
  } finally {
    process.off('worker', note)
  }
}

async function expectServing(app: App): Promise<void> {
  expect((await fetch(`http://127.0.0.1:${app.publicPort}/healthz`)).status).toBe(200)
  expect((await fetch(`http://127.0.0.1:${app.officePort}/readyz`)).status).toBe(200)
}

/** Both ports can be listened on again, and a new server starts on the folder and stops in good order. */
async function expectReleased({ config, publicPort, officePort }: Awaited<ReturnType<typeof settings>>): Promise<void> {
  for (const port of [publicPort, officePort]) {
    await new Promise<void>((resolve, reject) => {
      const probe = net.createServer().once('error', reject)
      probe.listen(port, '127.0.0.1', () => probe.close(() => resolve()))
    })
  }
  const again = await startApp(config, createLogger('silent'))
  await expectServing(again)
  await again.stop()
  expect(await again.stopped).toBeNull()
}

describe('a thread that fails', () => {
  it(
    'whichever it is: all stops, the reason is known, a new start works',
    async () => {
      const set = await settings()
      for (const name of ['writer', 'public'] as const) {
        // The second start is the new one of the first.
        const { app, writer, publicThread } = await startWatched(set.config)
        await expectServing(app)
        const open = net.connect(set.publicPort, '127.0.0.1').on('error', () => undefined)
        await (name === 'writer' ? writer : publicThread).terminate()
        const failure = await app.stopped
        expect(failure?.message).toMatch(new RegExp(`The ${name} thread failed`))
        open.destroy()
        await app.stop() // Once more changes nothing.
      }
      await expectReleased(set)
    },
    STARTS_MS,
  )

  it(
    'by an exception of its own: every caller is answered, and what was answered with yes is stored',
    async () => {
      const set = await settings()
      const { secret } = await makeIntegratorKey(set.config, { clock: Date.now, oneMore: false })
      const { app } = await startWatched(set.config)
      const other = new BetterSqlite(path.join(set.dataFolder, 'firmhand.db'))
      let isOver = false
      void app.stopped.then(() => {
        isOver = true
      })
      const made: string[] = []
      const refused = new Set<number | string>()
      const call = async (n: number) => {
        const response = await fetch(`http://127.0.0.1:${set.officePort}/api/v1/keys`, {
          method: 'POST',
          headers: { authorization: `Bearer ${secret}`, 'content-type': 'application/json' },
          body: JSON.stringify({ name: `key ${n}`, role: 'auditor' }),
        })
        if (response.status === 201) made.push(((await response.json()) as { id: string }).id)
        else refused.add(response.status)
      }
      await call(0) // A slow machine may answer none of those below before the thread fails.
      other.exec('alter table task rename to task_gone')
      for (let n = 1; !isOver && n < 20_000; n += 8) {
        const calls = Array.from({ length: 8 }, (_, i) => call(n + i).catch(() => void refused.add('connection')))
        await Promise.all(calls)
      }
      const failure = await app.stopped // The clock's work looks for tasks every second.
      expect(failure?.message).toMatch(/The writer thread failed/)
      for (const how of refused) expect([500, 503, 'connection']).toContain(how)
      const kept = new Set(
        other
          .prepare('select id from access_key')
          .all()
          .map((row) => (row as { id: string }).id),
      )
      expect(made.length).toBeGreaterThan(0)
      expect(made.filter((id) => !kept.has(id))).toEqual([])
      other.exec('alter table task_gone rename to task')
      other.close()
      await expectReleased(set)
    },
    STARTS_MS,
  )
})

it(
  'neither a lock of another program for a moment nor a second server on the folder ends the first one',
  async () => {
    const set = await settings()
    const other = await settings()
    const { app } = await startWatched(set.config)
    const lock = new BetterSqlite(path.join(set.dataFolder, 'firmhand.db'))
    lock.exec('begin immediate')
    await new Promise((resolve) => setTimeout(resolve, 1500))
    lock.exec('rollback')
    lock.close()
    const second = { ...other.config, dataFolder: set.config.dataFolder }
    await expect(startApp(second, createLogger('silent'))).rejects.toThrow(/Another server runs on .*: stop it first/)
    await expectServing(app)
    await app.stop()
    expect(await app.stopped).toBeNull()
    const later = await startApp(second, createLogger('silent'))
    await later.stop()
  },
  STARTS_MS,
)

describe('a start that cannot be', () => {
  it(
    'on a database that is none, or with a port taken: says which, and releases everything',
    async () => {
      const set = await settings()
      const database = path.join(set.dataFolder, 'firmhand.db')
      const text = 'this is no database, and it is long enough to be looked at. '.repeat(20)
      mkdirSync(set.dataFolder)
      writeFileSync(database, text)
      await expect(startApp(set.config, createLogger('silent'))).rejects.toThrow(
        /The database .*firmhand.db cannot be used: file is not a database/,
      )
      expect(readFileSync(database, 'utf8')).toBe(text)
      rmSync(database)
      for (const name of ['public', 'office'] as const) {
        const port = name === 'public' ? set.publicPort : set.officePort
        const taken = net.createServer().listen(port, '127.0.0.1')
        await expect(startApp(set.config, createLogger('silent'))).rejects.toThrow(
          `Cannot listen on 127.0.0.1:${port}: another program has it. Stop that one, or set FIRMHAND_${name.toUpperCase()}_LISTEN to another address.`,
        )
        await new Promise((resolve) => taken.close(resolve))
      }
      await expectReleased(set)
    },
    STARTS_MS,
  )

  it('on a folder that cannot be written: says which, and what to do', async () => {
    const set = await settings()
    // As root every folder can be written; below a file there can be none, for anybody.
    writeFileSync(path.join(path.dirname(set.dataFolder), 'file'), '')
    const config = { ...set.config, dataFolder: path.join(path.dirname(set.dataFolder), 'file', 'data') }
    await expect(startApp(config, createLogger('silent'))).rejects.toThrow(
      /The data folder .*file\/data cannot be used: .*FIRMHAND_DATA/,
    )
  })

  it('with a secret that is none: says so rather than making every link void', async () => {
    const set = await settings()
    mkdirSync(set.dataFolder)
    writeFileSync(path.join(set.dataFolder, 'secret'), 'abc\n')
    await expect(startApp(set.config, createLogger('silent'))).rejects.toThrow(/is not a secret of this program/)
  })
})
