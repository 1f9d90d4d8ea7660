// Version reports as they come in: three forms, two listeners, bad ones among good ones, doubles, clocks.
import request from 'supertest'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei } from '../support/app.js'

const MINUTE_MS = 60_000
let test: TestApp
let packageId: string
let count = 0
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId } = await prepare(test, { bytes: Buffer.from('firmware'), units: 0 }))
})
afterAll(() => test.stop())

async function unit(change: object = {}) {
  count += 1
  const made = await test.call('POST', '/units', { imei: testImei(count), model: 'sill-cam', ...change })
  return made.body as { id: string; imei: string; serial: string | null }
}
const at = (ms = test.nowMs()) => new Date(ms).toISOString()
const report = (body: unknown) => test.call('POST', '/check-ins', body)
const one = async (body: object) => (await report(body)).body.results[0]
const versions = async (id: string) => (await test.call('GET', `/units/${id}/versions`)).body.items
const platform = (body: string | object, type = 'application/json') =>
  request(test.publicUrl)
    .post('/in/check-ins')
    .set('authorization', `Bearer ${test.keys['check-in']}`)
    .type(type)
    .send(body)

describe('check-ins', () => {
  it('come as one, as an array, or one a line, on both listeners, and answer in the order given', async () => {
    const [a, b] = [await unit(), await unit({ serial: 'CI-1' })]
    const single = await report({ unit: a.imei, version: '1.0.0' })
    expect(single.status).toBe(200)
    expect(single.body).toEqual({
      results: [{ index: 0, unit: a.id, accepted: true, duplicate: false, task: null, state: null, code: null }],
    })
    const array = await platform([
      { unit: 'CI-1', version: '1.0.0' },
      { unit: 'nobody', version: '1' },
      { unit: a.id, version: '1.0.0' },
    ])
    expect(
      array.body.results.map((row: { index: number; unit: string; code: string | null }) => [
        row.index,
        row.unit,
        row.code,
      ]),
    ).toEqual([
      [0, b.id, null],
      [1, 'nobody', 'unit-unknown'],
      [2, a.id, null],
    ])
    const lines = `${JSON.stringify({ unit: a.imei, version: '1.1.0' })}\n\n${JSON.stringify({ unit: b.imei, version: '1.1.0' })}\r\n`
    for (const send of [
      () => platform(lines, 'application/x-ndjson'),
      () =>
        request(test.officeUrl)
          .post('/api/v1/check-ins')
          .set('authorization', `Bearer ${test.keys.operator}`)
          .type('application/x-ndjson')
          .send(lines),
    ]) {
      const answer = await send()
      expect(answer.status).toBe(200)
      expect(answer.body.results.map((row: { unit: string }) => row.unit)).toEqual([a.id, b.id])
    }
    expect((await report([])).body).toEqual({ results: [] })
  })

  it('name what is wrong with an item, and take the others', async () => {
    const { id } = await unit()
    const items: [item: unknown, code: string | null][] = [
      [{ unit: id, version: '1.0.0', observedAt: at() }, null],
      [{ unit: 'nobody', version: '1.0.0' }, 'unit-unknown'],
      [{ version: '1.0.0' }, 'unit-unknown'],
      [{ unit: id, version: '' }, 'version-empty'],
      [{ unit: id, version: ' \t ' }, 'version-empty'],
      [{ unit: id }, 'version-empty'],
      [{ unit: id, version: 7 }, 'version-empty'],
      [{ unit: id, version: 'x'.repeat(129) }, 'version-too-long'],
      [{ unit: id, version: '1.0.0', observedAt: 'yesterday' }, 'time-invalid'],
      [{ unit: id, version: '1.0.0', observedAt: '2026-02-30T00:00:00Z' }, 'time-invalid'],
      [{ unit: id, version: '1.0.0', observedAt: '2026-02-03 04:05' }, 'time-invalid'],
      [{ unit: id, version: '1.0.0', observedAt: '2026-02-03T24:00:00Z' }, 'time-invalid'],
      [{ unit: id, version: '1.0.0', observedAt: '2026-00-03T04:00:00Z' }, 'time-invalid'],
      [{ unit: id, version: '1.0.0', observedAt: '2024-02-29T04:00:00Z' }, null],
      [{ unit: id, version: '1.0.0', observedAt: '2025-12-31T23:59:60Z' }, null], // RFC 3339 §5.7.
      [{ unit: id, version: '1.0.0', observedAt: 1_700_000_000 }, 'time-invalid'],
      [{ unit: id, version: '1.0.0', digest: 'abc' }, 'digest-invalid'],
      [{ unit: id, version: '1.0.0', digest: 'z'.repeat(64) }, 'digest-invalid'],
      [{ unit: id, version: '1.0.0', digest: [] }, 'digest-invalid'],
      [{ unit: id, version: '1.0.0', id: '' }, 'item-invalid'],
      [{ unit: id, version: '1.0.0', id: { a: 1 } }, 'item-invalid'],
      [{ unit: id, version: '1.0.0', note: 'n'.repeat(2001) }, 'item-invalid'],
      [{ unit: id, version: '1.0.0', note: '\ud800' }, 'item-invalid'],
      [{ unit: id, version: '1\ud800' }, 'item-invalid'],
      ['text', 'item-invalid'],
      [null, 'item-invalid'],
      [[], 'item-invalid'],
      [
        {
          unit: id,
          version: '2.0.0',
          observedAt: at(test.nowMs() - MINUTE_MS),
          digest: 'ABCDEF01',
          id: null,
          note: null,
          extra: { deep: [1] },
        },
        null,
      ],
    ]
    const { status, body } = await report(items.map(([item]) => item))
    expect(status).toBe(200)
    expect(body.results.map((row: { code: string | null }) => row.code)).toEqual(items.map(([, code]) => code))
    for (const [index, row] of body.results.entries())
      expect([row.index, row.accepted]).toEqual([index, items[index]![1] === null])
    expect(await versions(id)).toHaveLength(4)
  })

  it('of unknown units are named and not stored', async () => {
    const head = (await test.call('GET', '/audit/head')).body
    expect(await one({ unit: testImei(999_999), version: '1' })).toMatchObject({
      accepted: false,
      code: 'unit-unknown',
      unit: testImei(999_999),
    })
    expect((await test.call('GET', '/audit/head')).body).toEqual(head)
  })

  it('are refused as a whole only where the body cannot be read or is too large', async () => {
    const { id } = await unit()
    const good = JSON.stringify({ unit: id, version: '1.0.0' })
    const cases: [number, string, string, string][] = [
      [400, 'body-unreadable', '{"unit":', 'application/json'],
      [400, 'body-unreadable', '"text"', 'application/json'],
      [400, 'body-unreadable', 'null', 'application/json'],
      [400, 'body-unreadable', `${good}\n{"unit":\n`, 'application/x-ndjson'],
      [413, 'body-too-large', `[${Array(10_001).fill('{}').join()}]`, 'application/json'],
      [413, 'body-too-large', '{}\n'.repeat(10_001), 'application/x-ndjson'],
      [413, 'body-too-large', `[{"note":"${'x'.repeat(5 * 1024 * 1024)}"}]`, 'application/json'],
      [415, 'media-type-unknown', good, 'text/csv'],
    ]
    for (const [status, code, body, type] of cases) {
      const answer = await platform(body, type)
      expect([answer.status, answer.body.code]).toEqual([status, code])
      expect(answer.headers['content-type']).toContain('application/problem+json')
    }
    expect(await versions(id)).toEqual([])
    expect((await platform(`[${Array(10_000).fill('{}').join()}]`)).status).toBe(200)
  })
})

describe('a double', () => {
  it('is known by its id of the same source, whatever else it says', async () => {
    const { id } = await unit()
    const first = { unit: id, version: '1.0.0', observedAt: at(test.nowMs() - MINUTE_MS), id: 'e-1' }
    expect(await one(first)).toMatchObject({ accepted: true, duplicate: false })
    expect(await one({ ...first, version: '2.0.0', observedAt: at() })).toMatchObject({
      accepted: true,
      duplicate: true,
    })
    expect((await versions(id)).map((row: { version: string }) => row.version)).toEqual(['1.0.0'])
    const fromPlatform = await platform({ ...first, version: '1.5.0' })
    expect(fromPlatform.body.results[0].duplicate).toBe(false) // Another source counts its own ids.
  })

  it('is known by its content, also within one call and in another spelling of the time', async () => {
    const { id } = await unit()
    const ms = Date.UTC(2026, 0, 2, 3, 4, 5)
    const body = { unit: id, version: ' 1.0.0 ', observedAt: '2026-01-02T03:04:05Z' }
    const { results } = (await report([body, { ...body, observedAt: '2026-01-02T05:04:05.000+02:00' }])).body
    expect(results.map((row: { duplicate: boolean }) => row.duplicate)).toEqual([false, true])
    expect(await one({ ...body, version: '1.0.1' })).toMatchObject({ duplicate: false })
    expect((await versions(id)).every((row: { observedAt: string }) => row.observedAt === at(ms))).toBe(true)
  })

  it('is known by a time that cannot be true as well: a clock at 1970 sent twice is one report, later or not', async () => {
    const { id } = await unit()
    const body = { unit: id, version: '1.0.0', observedAt: '1970-01-01T00:00:07Z' }
    expect(await one(body)).toMatchObject({ accepted: true, duplicate: false })
    test.advance(20 * MINUTE_MS)
    expect(await one(body)).toMatchObject({ accepted: true, duplicate: true })
    expect(await one({ ...body, observedAt: '1970-01-01T00:00:08Z' })).toMatchObject({ duplicate: false })
  })

  it('is not made by two reports without a time in one moment: each has its own id', async () => {
    const { id } = await unit()
    const { results } = (await report([1, 2].map((n) => ({ unit: id, version: '1.0.0', id: `m-${n}` })))).body
    expect(results.map((row: { duplicate: boolean }) => row.duplicate)).toEqual([false, false])
    expect(await versions(id)).toHaveLength(2)
  })

  it('moves nothing and is logged once', async () => {
    const { id } = await unit()
    const [task] = (await test.call('POST', '/tasks', { unit: id, package: packageId })).body.tasks
    test.advance(MINUTE_MS)
    const body = { unit: id, version: '2.0.0', observedAt: at() }
    expect(await one(body)).toMatchObject({ task: task.id, state: 'applied', duplicate: false })
    test.advance(60 * MINUTE_MS)
    expect(await one(body)).toMatchObject({ task: task.id, state: 'applied', duplicate: true })
    const log = await test.call('GET', `/audit?unit=${id}&action=checkin.accepted`)
    expect(log.body.items).toHaveLength(1)
  })
})

describe('the time of a report (rule 3)', () => {
  /** Two reports an hour apart, the second as if the unit's clock had gone on by a second. */
  const applied = async (body: { observedAt?: string }) => {
    const { id } = await unit()
    const [task] = (await test.call('POST', '/tasks', { unit: id, package: packageId })).body.tasks
    test.advance(MINUTE_MS)
    await one({ unit: id, version: '2.0.0', ...body })
    test.advance(60 * MINUTE_MS)
    const again = body.observedAt === undefined ? {} : { observedAt: at(Date.parse(body.observedAt) + 1000) }
    await one({ unit: id, version: '2.0.0', ...again })
    const [newest] = await versions(id)
    return { ...(await test.call('GET', `/tasks/${task.id}`)).body, newest }
  }

  it('stated, confirms after the soak', async () => {
    const { id } = await unit()
    await test.call('POST', '/tasks', { unit: id, package: packageId })
    test.advance(MINUTE_MS)
    await one({ unit: id, version: '2.0.0', observedAt: at() })
    test.advance(15 * MINUTE_MS)
    expect(await one({ unit: id, version: '2.0.0', observedAt: at() })).toMatchObject({ state: 'confirmed' })
  })

  it('absent, is the receipt: enough for applied, never for confirmed', async () => {
    const task = await applied({})
    expect([task.state, task.flags.includes('clock'), task.newest.timing]).toEqual(['applied', false, 'receipt'])
  })

  it.each([
    ['of 1970', '1970-01-01T00:00:07Z'],
    ['just before 2020', '2019-12-31T23:59:58Z'],
    ['far ahead', '2099-01-01T00:00:00Z'],
  ])('%s, is the receipt too, flagged', async (_what, observedAt) => {
    const task = await applied({ observedAt })
    expect([task.state, task.flags.includes('clock'), task.newest.timing]).toEqual(['applied', true, 'clock'])
    expect(Math.abs(Date.parse(task.newest.observedAt) - test.nowMs())).toBeLessThan(MINUTE_MS)
  })

  it('a little ahead is believed, up to 5 minutes', async () => {
    const { id } = await unit()
    await one({ unit: id, version: '1.0.0', observedAt: at(test.nowMs() + 4.5 * MINUTE_MS) })
    await one({ unit: id, version: '1.0.1', observedAt: at(test.nowMs() + 5.5 * MINUTE_MS) })
    expect((await versions(id)).map((row: { timing: string }) => row.timing)).toEqual(['clock', 'stated'])
  })
})

describe('what a unit runs', () => {
  it('is the newest observation, in whatever order reports arrive; the history has all of them', async () => {
    const { id } = await unit()
    const base = test.nowMs()
    for (const minutes of [30, 10, 20])
      await one({ unit: id, version: `1.${minutes}`, observedAt: at(base - minutes * MINUTE_MS), note: `n${minutes}` })
    const found = (await test.call('GET', `/units/${id}`)).body
    expect([found.version, found.versionObservedAt]).toEqual(['1.10', at(base - 10 * MINUTE_MS)])
    const rows = await versions(id)
    expect(rows).toHaveLength(3)
    expect(rows[0]).toMatchObject({
      version: '1.20',
      rawVersion: '1.20',
      source: 'operator',
      timing: 'stated',
      digest: null,
      note: 'n20',
    })
    const page = await test.call('GET', `/units/${id}/versions?limit=2`)
    const rest = await test.call('GET', `/units/${id}/versions?limit=2&after=${page.body.next}`)
    expect([...page.body.items, ...rest.body.items]).toEqual(rows)
    expect(rest.body.next).toBeNull()
  })

  it('keeps what was said beside what is compared, and by what way it came', async () => {
    const { id } = await unit()
    await report({ unit: id, version: ' v 1.0  b\u0000\u0000' })
    await test.call('POST', '/check-ins?source=bench', { unit: id, version: '1.1' })
    await platform({ unit: id, version: '1.2' })
    const rows = await versions(id)
    expect(rows.at(-1)).toMatchObject({ version: 'v 1.0 b', rawVersion: ' v 1.0  b\u0000\u0000' })
    expect(rows[1].source).toBe('bench')
    expect(rows[0].source).toMatch(/^platform:k_/)
    expect((await test.call('POST', '/check-ins?source=guess', { unit: id, version: '1' })).status).toBe(400)
  })
})

describe('10,000 reports in one call', () => {
  it('are all taken, each with its answer', async () => {
    const units = await Promise.all(Array.from({ length: 50 }, () => unit()))
    const base = test.nowMs()
    const items = Array.from({ length: 10_000 }, (_, n) => ({
      unit: units[n % 50]!.imei,
      version: `1.${n % 7}`,
      observedAt: at(base - n * 1000),
      id: `b-${n}`,
    }))
    const { status, body } = await platform(items)
    expect(status).toBe(200)
    expect(body.results).toHaveLength(10_000)
    expect(body.results.every((row: { accepted: boolean; duplicate: boolean }) => row.accepted && !row.duplicate)).toBe(
      true,
    )
    expect(body.results.map((row: { index: number }) => row.index)).toEqual(items.map((_, index) => index))
    expect((await test.call('GET', `/units/${units[3]!.id}`)).body.version).toBe('1.3')
  })
})
