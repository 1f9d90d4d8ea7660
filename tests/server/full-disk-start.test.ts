// Starts, ends and the log on a disk that takes no more data: one clear sentence, nothing half done, and with room it works.
import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { existsSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { afterAll, afterEach, describe, expect, it } from 'vitest'
import { until } from '../support/app.js'
import { freePorts, MAIN, runProgram, serveApp } from '../support/serve.js'
import { limitedFiles, smallFileSystem } from './full-disk-room.js'

const small = smallFileSystem()
const disks = [...(small ? [small] : []), limitedFiles()]
const SENTENCE = /^firmhand: The disk [^\n]*(takes|took) no more data[^\n]*Make room[^\n]*\n$/
/** Several starts, each of some seconds on a machine that has other work. */
const STARTS_MS = 120_000

describe.each(disks)('$name that is full', (disk) => {
  const dataFolder = path.join(disk.folder, 'data')
  const env = {
    FIRMHAND_DATA: dataFolder,
    FIRMHAND_PUBLIC_LISTEN: '127.0.0.1:0',
    FIRMHAND_OFFICE_LISTEN: '127.0.0.1:0',
  }
  afterEach(() => disk.clear(undefined))
  afterAll(() => disk.remove())
  const tables = () => {
    if (!existsSync(path.join(dataFolder, 'firmhand.db'))) return []
    const db = new BetterSqlite(path.join(dataFolder, 'firmhand.db'))
    try {
      return db.prepare("select name from sqlite_schema where type = 'table' and name not like 'kysely%'").all()
    } finally {
      db.close()
    }
  }

  // So many bytes are left: nothing at all, enough for the secret, for the file of the database, for half of its tables.
  // A limit of file sizes knows no such steps: there the files of a start end at one block.
  it.each(disk === small ? [0, 8192, 180_000] : [4096])(
    'init with %i bytes left: one sentence, no half database',
    async (leftBytes) => {
      disk.fill(undefined, leftBytes)
      const failed = await runProgram(['init'], env, disk.startedFull)
      expect([failed.code, failed.stdout]).toEqual([1, ''])
      expect(failed.stderr).toMatch(SENTENCE)
      expect(tables()).toEqual([])
    },
    STARTS_MS,
  )

  it(
    'serve on a new folder, whose tables do not fit: the same',
    async () => {
      disk.fill(undefined, 60_000)
      const failed = await runProgram(['serve'], env, disk.startedFull)
      expect([failed.code, failed.stdout]).toEqual([1, ''])
      expect(failed.stderr).toMatch(SENTENCE)
      expect(tables()).toEqual([])
    },
    STARTS_MS,
  )

  let key = ''
  it(
    'with room both work on that very folder, and nothing of the failures is left',
    async () => {
      const made = await runProgram(['init'], env)
      expect(made.code).toBe(0)
      expect(readdirSync(dataFolder).filter((name) => name.startsWith('secret.'))).toEqual([])
      key = made.stdout.trim().split('\n').at(-1)!
      const served = await serveApp({ dataFolder, started: false })
      await served.start()
      expect((await served.call('GET', '/units', undefined, { key })).status).toBe(200)
      // What the next start finds is the folder of a server that was killed.
      await served.remove()
    },
    STARTS_MS,
  )

  it(
    'serve on a folder that was in use: it starts and ends in good order, or says in one sentence why not',
    async () => {
      disk.fill(undefined)
      const [publicPort, officePort] = await freePorts(2)
      const ports = {
        FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${publicPort}`,
        FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${officePort}`,
      }
      const child = spawn(
        disk.startedFull[0] ?? process.execPath,
        [...disk.startedFull.slice(1), ...(disk.startedFull.length > 0 ? [process.execPath] : []), MAIN, 'serve'],
        { env: { PATH: process.env.PATH, ...env, ...ports }, stdio: ['ignore', 'pipe', 'pipe'] },
      )
      let [out, err] = ['', '']
      child.stdout.on('data', (bytes) => {
        out += bytes
      })
      child.stderr.on('data', (bytes) => {
        err += bytes
      })
      await until(
        async () => out.includes('"serving"') || child.exitCode !== null,
        (over) => over,
        60_000,
      )
      if (child.exitCode === null) {
        child.kill('SIGTERM')
        await once(child, 'close')
        expect(child.exitCode).toBe(0)
      } else expect([child.exitCode, err]).toEqual([1, expect.stringMatching(SENTENCE)])
    },
    STARTS_MS,
  )

  it(
    'with room it starts; full with its log on it, lines are dropped, and it answers, logs again with room, and ends',
    async () => {
      const file = path.join(disk.folder, 'log')
      const served = await serveApp({
        dataFolder,
        logFile: file,
        settings: { FIRMHAND_LOG_LEVEL: 'debug' },
        started: false,
      })
      try {
        await served.start()
        const { pid } = served.process
        const ask = async (place: string) => (await served.call('GET', place, undefined, { key })).status
        disk.fill(pid)
        // More lines than fit into a last block.
        for (let n = 0; n < 60; n += 1) expect(await ask('/nowhere')).toBe(404)
        const size = readFileSync(file).length
        for (let n = 0; n < 5; n += 1) expect(await ask('/units')).toBe(200)
        expect(readFileSync(file).length).toBe(size)
        disk.clear(pid)
        expect(await ask('/units')).toBe(200)
        await until(
          async () => readFileSync(file).length,
          (bytes) => bytes > size,
        )
        // It ends in good order although the disk is full by then.
        disk.fill(pid)
        expect((await served.terminate()).code).toBe(0)
      } finally {
        disk.clear(undefined)
        await served.remove()
      }
    },
    STARTS_MS,
  )
})

describe('the lock of a data folder', () => {
  it(
    'is the system’s: a dead server leaves none, whatever has its process id by now',
    async () => {
      const served = await serveApp()
      try {
        const { pid } = served.process
        await served.kill()
        // What a start that was killed leaves, under the id of a process that lives: this one.
        writeFileSync(path.join(served.dataFolder, `secret.${process.pid}`), 'half')
        writeFileSync(path.join(served.dataFolder, `secret.${pid}`), 'half')
        const before = readFileSync(path.join(served.dataFolder, 'secret'), 'utf8')
        await served.start()
        expect(readFileSync(path.join(served.dataFolder, 'secret'), 'utf8')).toBe(before)
        expect(readdirSync(served.dataFolder).filter((name) => name.startsWith('secret.'))).toEqual([])
        // A second one is refused, and the first one does not notice.
        const env = {
          FIRMHAND_DATA: served.dataFolder,
          FIRMHAND_PUBLIC_LISTEN: '127.0.0.1:0',
          FIRMHAND_OFFICE_LISTEN: '127.0.0.1:0',
        }
        const second = await runProgram(['serve'], env)
        expect(second).toMatchObject({ code: 1, stderr: expect.stringMatching(/^firmhand: Another server runs on /) })
        expect((await served.call('GET', '/units')).status).toBe(200)
        // One that is stopped holds it, too: it may go on at any moment.
        served.process.kill('SIGSTOP')
        expect((await runProgram(['serve'], env)).code).toBe(1)
        served.process.kill('SIGCONT')
        expect((await served.terminate()).code).toBe(0)
      } finally {
        await served.remove()
      }
    },
    STARTS_MS,
  )
})
