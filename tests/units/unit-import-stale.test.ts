// What lies between judging a list and storing it: another change, a lost client, files that must not stay.
import { mkdtempSync, readdirSync, rmSync, writeFileSync } from 'node:fs'
import http from 'node:http'
import os from 'node:os'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { readHead } from '../../src/audit/audit.store.js'
import type { Db, Work } from '../../src/db/db.js'
import { migrate } from '../../src/db/migrate.driver.js'
import { openSqlite } from '../../src/db/sqlite.driver.js'
import { createWriteQueue, type WriteQueue } from '../../src/db/write-queue.driver.js'
import { modelService } from '../../src/models/model.service.js'
import { Profile } from '../../src/models/profile.js'
import { openScratch } from '../../src/units/import-scratch.store.js'
import { UNIT_DEFAULTS } from '../../src/units/unit.js'
import { unitService } from '../../src/units/unit.service.js'
import { unitImportService } from '../../src/units/unit-import.service.js'
import { judgeFile } from '../../src/units/unit-judge.service.js'
import { resolveRows } from '../../src/units/unit-resolve.service.js'
import { startTestApp, type TestApp, testImei, testProfile, until } from '../support/app.js'

const ACTOR = { id: 'k_1', name: 'tester', role: 'operator', via: 'api', once: null } as const

describe('a list whose units changed since it was judged', () => {
  let folder: string
  let db: Db
  let queue: WriteQueue
  const write = <T>(work: (work: Work) => Promise<T>) => queue.run(work)
  beforeAll(async () => {
    folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-stale-'))
    db = openSqlite(path.join(folder, 'record.db'), 'write')
    await migrate(db)
    queue = createWriteQueue({ db, clock: Date.now, publish: () => undefined })
    await write((work) => modelService.put(work, ACTOR, Profile.parse(testProfile())))
  })
  afterAll(async () => {
    await queue.close()
    await db.destroy()
    rmSync(folder, { recursive: true, force: true })
  })

  let lists = 0
  async function judged(text: string) {
    lists += 1
    const base = path.join(folder, `list-${lists}`)
    writeFileSync(`${base}.csv`, text)
    const scratch = openScratch(`${base}.db`)
    expect(await judgeFile(`${base}.csv`, scratch, { models: new Set(['sill-cam']), region: null })).toBe(true)
    const { seq: seenSeq } = await readHead(db)
    await resolveRows(db, scratch)
    expect(scratch.hasRejected()).toBe(false)
    scratch.close()
    return { scratchFile: `${base}.db`, seenSeq }
  }
  const add = (input: object) =>
    write((work) => unitService.create(work, ACTOR, { ...UNIT_DEFAULTS, modelId: 'sill-cam', ...input }))

  it('is compared again: a unit that was added meanwhile is changed, not added twice', async () => {
    const list = await judged(`imei,model,notes\n${testImei(1)},sill-cam,of the list\n${testImei(2)},sill-cam,x\n`)
    const unit = await add({ imei: testImei(1), hardware: 'B' })
    const stored = await write((work) => unitImportService.store(work, ACTOR, { ...list, partial: false }))
    expect(stored).toMatchObject({ stored: true, created: 1, updated: 1, rejectedRows: 0 })
    const rows = await db.selectFrom('unit').selectAll().where('imei', '=', testImei(1)).execute()
    expect(rows).toMatchObject([{ id: unit.id, hardware: 'B', notes: 'of the list' }])
  })

  it('is refused whole where a row no longer holds, and in part only if that was asked for', async () => {
    for (const partial of [false, true]) {
      const n = partial ? 20 : 10
      const list = await judged(
        `imei,serial,model\n${testImei(n)},S-${n},sill-cam\n${testImei(n + 1)},S-${n + 1},sill-cam\n`,
      )
      await add({ imei: testImei(n + 2), serial: `S-${n}` })
      const { seq } = await readHead(db)
      const stored = await write((work) => unitImportService.store(work, ACTOR, { ...list, partial }))
      expect(stored).toMatchObject({ stored: partial, rejectedRows: 1, created: 1 })
      expect((await readHead(db)).seq).toBe(seq + (partial ? 1 : 0))
    }
  })
})

describe('the files of a list', () => {
  let test: TestApp
  beforeAll(async () => {
    test = await startTestApp()
    await test.call('PUT', '/models/sill-cam', testProfile())
  })
  afterAll(() => test.stop())
  const left = async () => readdirSync(path.join(test.dataFolder, 'incoming'))

  it('are gone when it is answered, and when its client is gone in the middle', async () => {
    const text = `imei,model\n${testImei(1)},sill-cam\n`
    const headers = { 'content-type': 'text/csv' }
    expect((await test.call('POST', '/units/import', text, { headers })).status).toBe(200)
    expect((await test.call('POST', '/units/import', `${text}1,2\n`, { headers })).status).toBe(422)
    await until(left, (names) => names.length === 0)
    for (let i = 0; i < 6; i += 1) {
      const request = http.request(`${test.officeUrl}/api/v1/units/import`, {
        method: 'POST',
        headers: { ...headers, authorization: `Bearer ${test.keys.operator}`, 'content-length': '1000' },
      })
      request.on('error', () => undefined)
      request.write(text)
      await until(left, (names) => names.length === 1)
      request.destroy()
      await until(left, (names) => names.length === 0)
    }
    // More were lost than may be under way at once: none of them still counts.
    expect((await test.call('POST', '/units/import', text, { headers })).body).toMatchObject({ unchanged: 1 })
  })
})
