// The disk takes no more data, at each step that writes, against the real process: a clear refusal, nothing lost, nothing
// half stored, reading and downloads go on, and all is well again without a restart once there is room.
import { createHash, randomBytes } from 'node:crypto'
import { readdirSync } from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { testProfile, until } from '../support/app.js'
import { type ServedApp, serveApp } from '../support/serve.js'
import { limitedFiles, smallFileSystem } from './full-disk-room.js'
import { type DiskHouse, STEPS, TRIES_MAX } from './full-disk-steps.js'

const FILE_BYTES = 3_000_000
/** The line comes again after a minute; no run of this file lasts longer on any machine. */
const MINUTES_MAX = 5
const file = randomBytes(FILE_BYTES)
const small = smallFileSystem()
const disks = [...(small ? [small] : []), limitedFiles()]

async function prepareHouse(served: ServedApp): Promise<DiskHouse> {
  const create = async (path: string, body: unknown): Promise<string> => {
    const answer = await served.call('POST', path, body)
    if (answer.status !== 201) throw new Error(JSON.stringify(answer.body))
    return answer.body.id
  }
  const many = (count: number, make: (n: number) => Promise<string>) =>
    Promise.all(Array.from({ length: count }, (_, n) => make(n)))
  const add = (version: string, bytes: Buffer) =>
    create(`/packages?model=sill-cam&version=${version}&fileName=sill.bin`, bytes)
  await served.call('PUT', '/models/sill-cam', testProfile())
  const packageId = await add('2.0.0', file)
  await served.call('POST', `/packages/${packageId}/release`, {})
  // Two rows of the steps may use one list, each its own half.
  const rows = TRIES_MAX * 2
  const units = await many(rows * 5, (n) => create('/units', { serial: `DISK-${n}`, model: 'sill-cam' }))
  const owners = await many(rows, (n) => create('/units', { serial: `OWNER-${n}`, model: 'sill-cam' }))
  const issued = await served.call('POST', '/tasks', { units: owners, package: packageId })
  const released = await many(TRIES_MAX, (n) => add(`5.0.${n}`, randomBytes(100)))
  for (const id of released) await served.call('POST', `/packages/${id}/release`, {})
  return {
    served,
    packageId,
    platformKey: (await served.call('POST', '/keys', { name: 'platform', role: 'check-in' })).body.secret,
    tasks: issued.body.tasks.map((task: { id: string }) => task.id),
    links: await many(TRIES_MAX, () => create('/links', { package: packageId, kind: 'copy' })),
    keys: await many(TRIES_MAX, (n) => create('/keys', { name: `gone ${n}`, role: 'auditor' })),
    drafts: await many(rows, (n) => add(`4.0.${n}`, randomBytes(100))),
    released,
    groups: Array.from({ length: rows }, (_, n) => units.slice(n * 5, n * 5 + 5)),
  }
}

describe.each(disks)('$name that is full', (disk) => {
  let served: ServedApp
  let house: DiskHouse
  let url: string
  let watched: { taskId: string; url: string }
  const done = new Map<string, { stored: number[]; refused: number }>()
  const pid = () => served.process.pid
  const read = <T>(look: (db: BetterSqlite.Database) => T): T => {
    const db = new BetterSqlite(path.join(served.dataFolder, 'firmhand.db'), { readonly: true })
    try {
      return look(db)
    } finally {
      db.close()
    }
  }
  const packagesOnDisk = () =>
    readdirSync(path.join(served.dataFolder, 'packages')).flatMap((folder) =>
      readdirSync(path.join(served.dataFolder, 'packages', folder)),
    )

  beforeAll(async () => {
    served = await serveApp({ dataFolder: path.join(disk.folder, 'data') })
    house = await prepareHouse(served)
    const unit = (await served.call('POST', '/units', { serial: 'WATCHED', model: 'sill-cam' })).body.id
    const task = (await served.call('POST', '/tasks', { unit, package: house.packageId })).body.tasks[0]
    watched = { taskId: task.id, url: task.link.url }
    url = (await served.call('POST', '/links', { package: house.packageId, kind: 'copy' })).body.url
    disk.fill(pid())
    // What the log of the database holds already takes some more: until it does not.
    for (const size of [300, 1]) {
      await until(
        async () => {
          const items = Array.from({ length: size }, () => ({ unit: house.groups[0]![4], version: '1.0.0' }))
          return (await served.call('POST', '/check-ins', items)).status
        },
        (status) => status === 507,
      )
    }
  })
  afterAll(async () => {
    disk.clear(undefined)
    await served.remove()
    disk.remove()
  })

  describe('while it is', () => {
    it.each(STEPS)('$name is refused with what to do, and nothing of it is stored', async (step) => {
      const stored: number[] = []
      for (let n = 0; n < TRIES_MAX; n += 1) {
        const answer = await step.attempt(house, n)
        if (answer.status < 300) {
          stored.push(n)
          continue
        }
        expect([answer.status, answer.body.code]).toEqual([507, 'storage-full'])
        expect(answer.body.detail).toMatch(/nothing was stored\. Make room/)
        expect(read((db) => step.isThere(db, house, n))).toBe(false)
        done.set(step.name, { stored, refused: n })
        break
      }
      expect(done.get(step.name), 'it was refused').toBeDefined()
      expect(readdirSync(path.join(served.dataFolder, 'incoming'))).toEqual([])
      expect(packagesOnDisk().sort()).toEqual(
        read((db) => db.prepare('select sha256 from blob order by sha256').pluck().all() as string[]),
      )
    })

    // Larger than all buffers on the way: the client still sends when the server answers, and must get to read it.
    it.each([2_000_000, 30_000_000])(
      'an upload of %i bytes that stops fitting in its middle leaves nothing',
      async (size) => {
        disk.fill(pid(), 1_000_000)
        const place = '/packages?model=sill-cam&version=6.0.0&fileName=a.bin'
        const answer = await served.call('POST', place, randomBytes(size))
        disk.fill(pid())
        expect([answer.status, answer.body.code]).toEqual([507, 'storage-full'])
        expect(readdirSync(path.join(served.dataFolder, 'incoming'))).toEqual([])
      },
    )

    it('an upload that fits, of which the record takes nothing more, leaves no bytes behind', async () => {
      // Room for the file and not for the log of the database.
      const before = packagesOnDisk()
      const bytes = randomBytes(disk === small ? 300_000 : 2000)
      if (disk === small) disk.fill(pid(), 304_000)
      const answer = await served.call('POST', '/packages?model=sill-cam&version=6.0.1&fileName=a.bin', bytes)
      disk.fill(pid())
      expect([answer.status, answer.body.code]).toEqual([507, 'storage-full'])
      expect(packagesOnDisk()).toEqual(before)
      expect(readdirSync(path.join(served.dataFolder, 'incoming'))).toEqual([])
    })

    it('reading goes on: lists, the log as pages, health', async () => {
      for (const path of ['/units', '/tasks', '/packages', '/audit', '/audit/head', `/tasks/${house.tasks[0]}`]) {
        expect((await served.call('GET', path)).status, path).toBe(200)
      }
      expect((await fetch(`${served.publicUrl}/healthz`)).status).toBe(200)
      expect((await fetch(`${served.officeUrl}/healthz`)).status).toBe(200)
    })

    it('downloads go on; what they prove is kept, and claimed once there is room', async () => {
      const response = await fetch(watched.url)
      expect(response.status).toBe(200)
      expect(Buffer.from(await response.arrayBuffer()).equals(file)).toBe(true)
      const part = await fetch(url, { headers: { range: 'bytes=1000-1999' } })
      expect([part.status, Buffer.from(await part.arrayBuffer()).equals(file.subarray(1000, 2000))]).toEqual([
        206,
        true,
      ])
      await until(
        async () => served.output(),
        (text) => text.includes('offered again'),
      )
      expect((await served.call('GET', `/tasks/${watched.taskId}`)).body).toMatchObject({
        state: 'queued',
        ledger: { acknowledged: [], inferred: [] },
      })
    })

    it('the log says so, once for each listener and not for each request, and the process lives', () => {
      expect(served.output()).toMatch(/The disk took no more data/)
      const lines = served.output().split('\n')
      expect(lines.filter((line) => line.includes('"the disk is full"')).length).toBeLessThanOrEqual(2 * MINUTES_MAX)
      expect(served.process.exitCode).toBeNull()
    })
  })

  describe('once there is room again, without a restart', () => {
    beforeAll(() => disk.clear(pid()))

    it.each(STEPS)('$name works, and what was answered before is there', async (step) => {
      const { stored, refused } = done.get(step.name)!
      for (const n of stored)
        expect(
          read((db) => step.isThere(db, house, n)),
          `try ${n}`,
        ).toBe(true)
      const answer = await step.attempt(house, refused)
      expect(answer.status, JSON.stringify(answer.body)).toBeLessThan(300)
      expect(read((db) => step.isThere(db, house, refused))).toBe(true)
    })

    it('the ledger learns what was kept', async () => {
      const task = await until(
        async () => (await served.call('GET', `/tasks/${watched.taskId}`)).body,
        ({ state }) => state === 'fetched',
      )
      expect(task.ledger.acknowledged).toEqual([[0, FILE_BYTES - 1]])
    })

    it('the whole record is sound', async () => {
      const copy = await served.call('GET', '/audit?format=jsonl')
      expect(await verifyExport(exportLines([Buffer.from(copy.body)]))).toMatchObject({ ok: true, complete: true })
      expect(read((db) => db.pragma('integrity_check', { simple: true }))).toBe('ok')
      expect(read((db) => db.pragma('foreign_key_check'))).toEqual([])
      const digest = createHash('sha256')
        .update(Buffer.from(await (await fetch(url)).arrayBuffer()))
        .digest('hex')
      expect(digest).toBe(createHash('sha256').update(file).digest('hex'))
      expect((await served.terminate()).code).toBe(0)
    })
  })
})
