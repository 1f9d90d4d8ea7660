// Idempotency-Key: a repeat gets the first answer and has no second effect, for 24 h, per key.
import { readdirSync } from 'node:fs'
import path from 'node:path'
import Database from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei } from '../support/app.js'

let test: TestApp
let packageId: string
let unitIds: string[]
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId, unitIds } = await prepare(test, { bytes: Buffer.from('firmware'), units: 4 }))
})
afterAll(() => test.stop())

const HOUR_MS = 3_600_000
const withName = (name: string, key?: string) => ({ headers: { 'idempotency-key': name }, ...(key && { key }) })
const head = async () => (await test.call('GET', '/audit/head')).body

describe('a repeat', () => {
  it('of an issue answers 201 with the same body, and issues nothing', async () => {
    const body = { unit: unitIds[0], package: packageId }
    const first = await test.call('POST', '/tasks', body, withName('a'))
    expect(first.status).toBe(201)
    const before = await head()
    const second = await test.call('POST', '/tasks', body, withName('a'))
    expect(second.status).toBe(201)
    expect(second.body).toEqual(first.body)
    expect(await head()).toEqual(before)
    const without = await test.call('POST', '/tasks', body)
    expect(without.body.skipped[0].code).toBe('open-task')
  })

  it('of a new key shows the same secret, and makes no second key', async () => {
    const body = { name: 'n', role: 'auditor' }
    const [first, second] = [
      await test.call('POST', '/keys', body, withName('b')),
      await test.call('POST', '/keys', body, withName('b')),
    ]
    expect(second.body).toEqual(first.body)
    const third = await test.call('POST', '/keys', body, withName('b2'))
    expect(third.body.id).not.toBe(first.body.id)
  })

  it('of an upload gives the same package, also by its bytes only; leaves no file behind', async () => {
    const target = '/packages?model=sill-cam&version=4.0.0&fileName=a.bin'
    const first = await test.call('POST', target, Buffer.from('four'), withName('c'))
    const second = await test.call('POST', target, Buffer.from('four'), withName('c'))
    expect([first.status, second.status]).toEqual([201, 201])
    expect(second.body).toEqual(first.body)
    const other = await test.call('POST', target, Buffer.from('five'), withName('c'))
    expect([other.status, other.body.code]).toEqual([422, 'idempotency-mismatch'])
    expect((await test.call('GET', `/packages/${first.body.id}`)).body.digests).toEqual(first.body.digests)
    const left = readdirSync(test.dataFolder, { recursive: true })
      .map(String)
      .filter((name) => path.basename(name).startsWith('up_'))
    expect(left).toEqual([])
  })

  it('at the same moment has one effect, too', async () => {
    const body = { imei: testImei(40), model: 'sill-cam' }
    const answers = await Promise.all(Array.from({ length: 8 }, () => test.call('POST', '/units', body, withName('d'))))
    expect(new Set(answers.map((answer) => answer.status))).toEqual(new Set([201]))
    expect(new Set(answers.map((answer) => answer.body.id)).size).toBe(1)
  })

  it('of check-ins answers as the first time', async () => {
    const body = { unit: unitIds[1], version: '1.0.0', observedAt: new Date(test.nowMs() - 1000).toISOString() }
    const first = await test.call('POST', '/check-ins', body, withName('e'))
    expect((await test.call('POST', '/check-ins', body, withName('e'))).body).toEqual(first.body)
    expect((await test.call('POST', '/check-ins', body)).body.results[0].duplicate).toBe(true)
  })

  it('outlives a restart', async () => {
    const body = { imei: testImei(41), model: 'sill-cam' }
    const first = await test.call('POST', '/units', body, withName('f'))
    await test.restart()
    expect((await test.call('POST', '/units', body, withName('f'))).body).toEqual(first.body)
  })
})

describe('the same Idempotency-Key', () => {
  it('with another body, address or method is refused, and changes nothing', async () => {
    const first = await test.call('POST', '/units', { imei: testImei(50), model: 'sill-cam' }, withName('g'))
    const before = await head()
    const others = [
      await test.call('POST', '/units', { imei: testImei(51), model: 'sill-cam' }, withName('g')),
      await test.call('POST', '/keys', { name: 'x', role: 'auditor' }, withName('g')),
      await test.call('PATCH', `/units/${first.body.id}`, { notes: 'x' }, withName('g')),
    ]
    for (const other of others) expect([other.status, other.body.code]).toEqual([422, 'idempotency-mismatch'])
    expect(await head()).toEqual(before)
  })

  it('is free again for a request that failed', async () => {
    const bad = await test.call('POST', '/units', { imei: testImei(52), model: 'none' }, withName('h'))
    expect(bad.status).toBe(404)
    expect((await test.call('POST', '/units', { imei: testImei(52), model: 'sill-cam' }, withName('h'))).status).toBe(
      201,
    )
  })

  it('is remembered in the transaction of the change: where it cannot be, there is no change', async () => {
    const database = new Database(path.join(test.dataFolder, 'firmhand.db'))
    database.exec("create trigger refuse before insert on idempotency begin select raise(abort, 'made to fail'); end")
    const body = { imei: testImei(55), model: 'sill-cam' }
    const before = await head()
    expect((await test.call('POST', '/units', body, withName('k'))).status).toBe(500)
    database.exec('drop trigger refuse')
    database.close()
    expect(await head()).toEqual(before)
    expect((await test.call('GET', `/units/${body.imei}`)).status).toBe(404)
    expect((await test.call('POST', '/units', body, withName('k'))).status).toBe(201)
  })

  it('of another key is another one', async () => {
    const body = (n: number) => ({ imei: testImei(n), model: 'sill-cam' })
    const mine = await test.call('POST', '/units', body(60), withName('i'))
    const theirs = await test.call('POST', '/units', body(61), withName('i', test.keys.operator))
    expect([mine.status, theirs.status]).toEqual([201, 201])
    expect(theirs.body.id).not.toBe(mine.body.id)
  })

  it('is remembered for 24 h and not longer', async () => {
    const change = (notes: string) => test.call('PATCH', `/units/${unitIds[2]}`, { notes }, withName('j'))
    expect((await change('one')).status).toBe(200)
    test.advance(24 * HOUR_MS - 60_000)
    expect((await change('two')).status).toBe(422)
    test.advance(61_000)
    expect((await change('two')).body.notes).toBe('two')
  })
})
