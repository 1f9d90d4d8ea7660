// Stored packages are read back: what is damaged is found, never given out again, and mended by the same upload.
import { randomBytes } from 'node:crypto'
import { chmodSync, mkdirSync, readFileSync, renameSync, rmSync, truncateSync, writeFileSync } from 'node:fs'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { noteCheck } from '../../src/blobs/blob.store.js'
import { checkBlob, hashFile } from '../../src/blobs/check.driver.js'
import { cli, shellOf } from '../cli/run.js'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'
import { openRecord } from '../tasks/record.js'

const DAY_MS = 24 * 60 * 60 * 1000
const BLOCK_BYTES = 1024 * 1024
const bytes = randomBytes(3 * BLOCK_BYTES + 5)
let test: TestApp
let packageId: string
let sha256: string
let link: string
let unit: string
let stored: string

beforeAll(async () => {
  test = await startTestApp()
  const made = await prepare(test, { bytes, units: 1 })
  ;({ packageId, sha256 } = made)
  unit = made.unitIds[0]!
  // A copy link: its budget of bytes lasts for all of this.
  link = (await test.call('POST', '/links', { package: packageId, kind: 'copy' })).body.url
  stored = path.join(test.dataFolder, 'packages', sha256.slice(0, 2), sha256)
  chmodSync(stored, 0o600)
})
afterAll(() => test.stop())

const scrub = async (body: object = {}) => {
  const begun = await test.call('POST', '/packages/scrub', body)
  expect(begun.status).toBe(202)
  return until(
    async () => (await test.call('GET', '/packages/scrub')).body.scrub,
    (run) => run.id === begun.body.id && run.endedAt !== null,
  )
}
const log = async (action: string) => (await test.call('GET', `/audit?action=${action}`)).body.items
const findings = async () =>
  (await test.call('GET', `/packages/${packageId}`)).body.findings.map(({ code }: { code: string }) => code)
const upload = () => test.call('POST', '/packages?model=sill-cam&version=2.0.0&fileName=sill.bin', bytes)
const get = async (headers: Record<string, string> = {}) => {
  // A connection of its own: those that were used are reset when damage is found, maybe while fetch takes one again.
  const response = await fetch(link, { headers: { connection: 'close', ...headers } })
  return {
    status: response.status,
    retry: response.headers.get('retry-after'),
    body: Buffer.from(await response.arrayBuffer()),
  }
}

describe('a check of the stored packages', () => {
  it('of a store that is whole finds nothing, and is logged in sum', async () => {
    expect(await scrub()).toMatchObject({ files: 1, checkedFiles: 1, checkedBytes: bytes.length, damaged: [] })
    const [entry, ...more] = await log('package.scrubbed')
    expect(more).toEqual([])
    expect(entry.detail).toMatchObject({ checkedFiles: 1, checkedBytes: bytes.length, damaged: [] })
    expect(await findings()).not.toContain('damaged')
  })

  it.each<[string, () => void, string]>([
    ['one bit changed', () => flipOneBit(), 'changed'],
    ['cut short', () => truncateSync(stored, 1000), 'changed'],
    ['longer than it was', () => writeFileSync(stored, Buffer.concat([bytes, Buffer.from('x')])), 'changed'],
    ['gone', () => rmSync(stored), 'missing'],
    [
      'a folder in its place',
      () => {
        rmSync(stored)
        mkdirSync(stored)
      },
      'unreadable',
    ],
  ])(
    'finds a file that is %s; it is given out no more, until the same bytes are uploaded',
    async (_what, spoil, fault) => {
      // Served a moment ago, so that its blocks are in memory: they are not given out either.
      expect((await get()).status).toBe(200)
      spoil()
      expect((await scrub({ package: packageId })).damaged).toEqual([sha256])
      expect((await log('package.damaged')).at(-1)).toMatchObject({ package: packageId, sha256, detail: { fault } })
      expect(await findings()).toContain('damaged')
      const held = await get()
      expect(held).toMatchObject({ status: 503, retry: '3600' })
      expect(held.body).toHaveLength(0)
      for (const [at, body] of [
        ['/tasks', { unit, package: packageId }],
        ['/links', { package: packageId, kind: 'copy' }],
      ] as const)
        expect(await test.call('POST', at, body)).toMatchObject({ status: 409, body: { code: 'package-damaged' } })

      if (fault === 'unreadable') rmSync(stored, { recursive: true })
      const repaired = await upload()
      expect(repaired).toMatchObject({ status: 200, body: { id: packageId } })
      expect(repaired.body.findings).toEqual([])
      expect(readFileSync(stored).equals(bytes)).toBe(true)
      expect((await log('package.repaired')).at(-1)).toMatchObject({ package: packageId, detail: { by: 'upload' } })
      const again = await get()
      expect([again.status, again.body.equals(bytes)]).toEqual([200, true])
      chmodSync(stored, 0o600)
    },
  )

  it('marks a file as whole again that somebody put back from a copy', async () => {
    renameSync(stored, `${stored}.away`)
    expect((await scrub()).damaged).toHaveLength(1)
    renameSync(`${stored}.away`, stored)
    expect((await get()).status).toBe(503) // What is there now nobody has looked at.
    expect((await scrub()).damaged).toEqual([])
    expect((await log('package.repaired')).at(-1).detail).toEqual({ by: 'check' })
    expect((await get()).body.equals(bytes)).toBe(true)
  })

  it('is started by integrators, one at a time, and for packages that there are', async () => {
    expect((await test.call('POST', '/packages/scrub', {}, { key: test.keys.operator })).status).toBe(403)
    expect((await test.call('POST', '/packages/scrub', { package: 'p_none' })).body.code).toBe('package-not-found')
    const first = test.call('POST', '/packages/scrub', {})
    const second = test.call('POST', '/packages/scrub', {})
    const statuses = [(await first).status, (await second).status].sort()
    expect(statuses).toEqual([202, 409])
  })

  it('on the command line waits for the end and exits 1 where something is damaged', async () => {
    await until(
      async () => (await test.call('GET', '/packages/scrub')).body.scrub,
      (run) => run.endedAt !== null,
    )
    expect(await cli(['scrub', '--json'], shellOf(test))).toMatchObject({ exit: 0 })
    flipOneBit()
    const said = await cli(['scrub', packageId], shellOf(test))
    expect(said).toMatchObject({ exit: 1 })
    expect(said.out).toContain(`damaged: ${sha256}`)
    await upload()
    chmodSync(stored, 0o600)
  })
})

/** In a block that a client reads late. */
function flipOneBit(): void {
  const spoilt = Buffer.from(bytes)
  spoilt[2 * BLOCK_BYTES + 7]! ^= 1
  writeFileSync(stored, spoilt)
}

describe('damage that is met while serving', () => {
  it('resets the download, has the file looked at, and is found without anybody asking', async () => {
    await test.restart() // With nothing of the file in memory.
    flipOneBit()
    const entries = (await log('package.damaged')).length
    await expect(get()).rejects.toThrow()
    await until(findings, (codes) => codes.includes('damaged'))
    expect(await log('package.damaged')).toHaveLength(entries + 1)
    expect((await get()).status).toBe(503)
    // It stays so over a restart.
    await test.restart()
    expect((await get()).status).toBe(503)
    await upload()
    expect((await get()).body.equals(bytes)).toBe(true)
  })
})

describe('a check by itself', () => {
  const scrubs = async () =>
    (await log('package.scrubbed')).filter(
      (one: { detail: { startedBy: string } }) => one.detail.startedBy === 'system',
    )

  it('comes once in so many days, counted over restarts', async () => {
    expect(await scrubs()).toHaveLength(0)
    test.advance(31 * DAY_MS)
    await test.restart({ FIRMHAND_SCRUB_DAYS: '30' })
    await until(scrubs, (entries) => entries.length === 1)
    await test.restart({ FIRMHAND_SCRUB_DAYS: '30' })
    await new Promise((resolve) => setTimeout(resolve, 1200))
    expect(await scrubs()).toHaveLength(1)
  })

  it('never comes with 0', async () => {
    test.advance(400 * DAY_MS)
    await test.restart({ FIRMHAND_SCRUB_DAYS: '0' })
    await new Promise((resolve) => setTimeout(resolve, 1200))
    expect(await scrubs()).toHaveLength(1)
  })
})

describe('reading a file back', () => {
  it('goes no faster than it is told, and ends when it is told', async () => {
    const file = path.join(test.folder, 'paced')
    writeFileSync(file, Buffer.alloc(2 * BLOCK_BYTES))
    const startMs = performance.now()
    await hashFile(file, { bytesPerSecond: 8 * BLOCK_BYTES, stopped: () => false })
    expect(performance.now() - startMs).toBeGreaterThan(150) // A quarter of a second at that pace, at least.
    const wanted = { sha256: 'x', sizeBytes: 1 }
    expect(await checkBlob(file, wanted, { bytesPerSecond: 1, stopped: () => true })).toBe('stopped')
  })

  it('says nothing of the file where the fault is another one', async () => {
    const name = path.join(test.folder, 'x'.repeat(300)) // ENAMETOOLONG: a bug, not damage.
    await expect(checkBlob(name, { sha256: 'x', sizeBytes: 1 })).rejects.toThrow('ENAMETOOLONG')
  })
})

describe('a file that is mended while its old bytes are read', () => {
  it('is not marked by what was found of them, and looked at again', async () => {
    const record = await openRecord()
    try {
      record.clock(0)
      const pack = await record.pack('sill-cam', '2.0.0')
      const { sha256 } = pack.digests
      const state = () =>
        record.run(({ db }) => db.selectFrom('blob_check').selectAll().where('sha256', '=', sha256).executeTakeFirst())
      const found = (seenCheckMs: number | null) =>
        record.run((work) => record.services.scrub.found(work, { scrub: null, sha256, fault: 'changed', seenCheckMs }))
      await record.run((work) => noteCheck(work.db, sha256, { checkedAtMs: work.nowMs, damagedAtMs: null }))
      const mendedAtMs = Number((await state())!.checked_at_ms)
      await found(null)
      expect(await state()).toMatchObject({ damaged_at_ms: null, suspect_at_ms: mendedAtMs })
      await found(mendedAtMs - 5000)
      expect(await state()).toMatchObject({ damaged_at_ms: null, suspect_at_ms: mendedAtMs })
      record.clock(1)
      await found(mendedAtMs)
      expect(await state()).toMatchObject({ damaged_at_ms: mendedAtMs + 60_000, suspect_at_ms: null })
    } finally {
      await record.close()
    }
  })

  it('is marked where the last look lies in the future: the clock was set back since', async () => {
    const record = await openRecord()
    try {
      record.clock(0)
      const { sha256 } = (await record.pack('sill-cam', '2.0.0')).digests
      const lookedAtMs = Date.UTC(2040, 0, 1)
      await record.run((work) => noteCheck(work.db, sha256, { checkedAtMs: lookedAtMs }))
      await record.run((work) =>
        record.services.scrub.found(work, { scrub: null, sha256, fault: 'changed', seenCheckMs: lookedAtMs }),
      )
      const row = await record.run(({ db }) =>
        db.selectFrom('blob_check').selectAll().where('sha256', '=', sha256).executeTakeFirst(),
      )
      expect(row).toMatchObject({ damaged_at_ms: expect.any(Number), suspect_at_ms: null })
    } finally {
      await record.close()
    }
  })
})
