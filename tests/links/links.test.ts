// Links without a task of their own, and what revoking does.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei, testProfile, until } from '../support/app.js'

const BYTES = Buffer.alloc(200_000, 7)
const MIB = 1024 * 1024
let test: TestApp
let packageId: string
let unitIds: string[]
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId, unitIds } = await prepare(test, {
    bytes: BYTES,
    units: 8,
    profile: { fileName: 'Cam-{version}.BIN' },
  }))
})
afterAll(() => test.stop())

const make = (body: object) => test.call('POST', '/links', { package: packageId, ...body })
const statusOf = async (url: string) => {
  const response = await fetch(url)
  const body = await response.arrayBuffer()
  return { status: response.status, bytes: body.byteLength }
}

describe('a link', () => {
  it('has the shape that cameras can take, gives the file, and answers in any letter case', async () => {
    const { status, body } = await make({ kind: 'copy' })
    expect(status).toBe(201)
    expect(Object.keys(body).sort()).toEqual(['byteBudget', 'expiresAt', 'id', 'kind', 'package', 'unit', 'url'])
    // 16 signs without look-alikes, then the profile's file name to the letter, no query.
    expect(body.url).toMatch(/\/d\/[23456789abcdefghjkmnpqrstuvwxyz]{16}\/Cam-2\.0\.0\.BIN$/)
    expect(body.url.startsWith(test.publicUrl)).toBe(true)
    expect(await statusOf(body.url)).toEqual({ status: 200, bytes: BYTES.length })
    expect(
      (await statusOf(body.url.replace(/\/d\/[^/]+/, (part: string) => `/d/${part.slice(3).toUpperCase()}`))).status,
    ).toBe(200)
    expect(await statusOf(body.url.replace(/.BIN$/, '.bin2'))).toEqual({ status: 404, bytes: 0 })
  })

  it('for a unit has the budget of the profile, or the one that is asked for', async () => {
    const usual = await make({ kind: 'unit', unit: unitIds[0] })
    expect(usual.body).toMatchObject({ unit: unitIds[0], byteBudget: 2.5 * BYTES.length + MIB, expiresAt: null })
    expect((await make({ kind: 'unit', unit: unitIds[0], byteBudget: 300_000 })).body.byteBudget).toBe(300_000)
  })

  it('for a unit counts a client with a browser’s name where the profile says that the unit’s own has one', async () => {
    const fetchedBy = async (unit: string, clientLooksLikeBrowser: boolean) => {
      const task = (await test.call('POST', '/tasks', { unit, package: packageId })).body.tasks[0]
      await test.call('PUT', '/models/sill-cam', testProfile({ fileName: 'Cam-{version}.BIN', clientLooksLikeBrowser }))
      const answer = await fetch(task.link.url, {
        headers: { 'user-agent': 'Mozilla/5.0 (unit)', connection: 'close' },
      })
      expect((await answer.arrayBuffer()).byteLength).toBe(BYTES.length)
      const timeline = async (): Promise<{ detail: { end?: string } }[]> =>
        (await test.call('GET', `/units/${unit}/timeline`)).body.items
      await until(timeline, (items) => items.some(({ detail }) => detail.end === 'complete'))
      return (await test.call('GET', `/tasks/${task.id}`)).body
    }
    expect(await fetchedBy(unitIds[6]!, true)).toMatchObject({ state: 'fetched', flags: [] })
    expect(await fetchedBy(unitIds[7]!, false)).toMatchObject({
      state: 'queued',
      flags: ['not-like-a-unit'],
      ledger: { sent: [], acknowledged: [], inferred: [] },
    })
  })

  it('ends at its time', async () => {
    const expiresAt = new Date(test.nowMs() + 60_000).toISOString()
    const { body } = await make({ kind: 'copy', expiresAt })
    expect(body.expiresAt).toBe(expiresAt)
    expect((await statusOf(body.url)).status).toBe(200)
    test.advance(61_000)
    expect(await statusOf(body.url)).toEqual({ status: 410, bytes: 0 })
    expect((await make({ kind: 'copy', expiresAt })).body.errors[0].pointer).toBe('/expiresAt')
  })

  it('answers 410 with an empty body once deleted; others go on', async () => {
    const [one, other] = [(await make({ kind: 'copy' })).body, (await make({ kind: 'copy' })).body]
    expect((await test.call('DELETE', `/links/${one.id}`)).status).toBe(204)
    expect((await test.call('DELETE', `/links/${one.id}`)).status).toBe(204)
    expect(await statusOf(one.url)).toEqual({ status: 410, bytes: 0 })
    expect((await statusOf(other.url)).status).toBe(200)
    expect((await test.call('DELETE', '/links/l_nothing')).body.code).toBe('link-not-found')
  })

  it('is refused where it would lead to the wrong file or nowhere', async () => {
    expect((await make({ kind: 'unit' })).body.code).toBe('request-invalid')
    expect((await make({ kind: 'unit', unit: 'nobody' })).body.code).toBe('unit-not-found')
    expect((await test.call('POST', '/links', { package: 'p_none', kind: 'copy' })).body.code).toBe('package-not-found')
    const draft = await test.call('POST', '/packages?model=sill-cam&version=9.0.0&fileName=a.bin', 'draft')
    expect((await test.call('POST', '/links', { package: draft.body.id, kind: 'copy' })).body.code).toBe(
      'state-refused',
    )
    await test.call('PUT', '/models/dash-cam', testProfile({ id: 'dash-cam' }))
    const foreign = await test.call('POST', '/units', { imei: testImei(77), model: 'dash-cam' })
    expect((await make({ kind: 'unit', unit: foreign.body.id })).body.code).toBe('state-refused')
  })
})

describe('a copy link that is named for hand tasks', () => {
  const issue = async (unit: string, method: string) =>
    (await test.call('POST', '/tasks', { unit, package: packageId, method })).body.tasks[0]

  it('moves all of them when it was read to the end, and none before', async () => {
    const tasks = [await issue(unitIds[1]!, 'card'), await issue(unitIds[2]!, 'cable')]
    const ids = tasks.map((task) => task.id)
    const { body: link } = await make({ kind: 'copy', tasks: [...ids, ids[0]] })
    await (await fetch(link.url, { headers: { range: 'bytes=0-999' } })).arrayBuffer()
    const state = async (id: string) => (await test.call('GET', `/tasks/${id}`)).body
    expect((await state(ids[0])).state).toBe('queued')
    await statusOf(link.url)
    for (const id of ids) {
      const task = await until(
        () => state(id),
        (found) => found.state === 'fetched',
      )
      expect(task.moves.at(-1)).toMatchObject({ state: 'fetched', grade: 'copy', implied: false })
      expect(task.flags).toEqual([])
    }
  })

  it('serves open hand tasks of the same package only', async () => {
    const air = await issue(unitIds[3]!, 'air')
    const closed = await issue(unitIds[4]!, 'hotspot')
    await test.call('POST', `/tasks/${closed.id}/cancel`, { reason: 'not today' })
    for (const id of [air.id, closed.id, 't_nothing']) {
      const refused = await make({ kind: 'copy', tasks: [id] })
      expect([refused.status, refused.body.code, refused.body.tasks]).toEqual([404, 'task-not-found', [id]])
    }
    expect((await make({ kind: 'unit', unit: unitIds[5], tasks: [closed.id] })).body.code).toBe('request-invalid')
  })
})

describe('without a public address', () => {
  it('no link can be made, and the problem says what to set', async () => {
    const bare = await startTestApp({ publicUrl: null })
    try {
      const prepared = await prepare(bare, { bytes: BYTES })
      const refused = await bare.call('POST', '/links', { package: prepared.packageId, kind: 'copy' })
      expect([refused.status, refused.body.code]).toEqual([409, 'public-url-not-set'])
      expect(refused.body.detail).toContain('FIRMHAND_PUBLIC_URL')
      const air = await bare.call('POST', '/tasks', { unit: prepared.unitIds[0], package: prepared.packageId })
      expect([air.status, air.body.code]).toEqual([409, 'public-url-not-set'])
      // A memory card needs no address.
      const card = await bare.call('POST', '/tasks', {
        unit: prepared.unitIds[0],
        package: prepared.packageId,
        method: 'card',
      })
      expect(card.status).toBe(201)
      expect(card.body.tasks[0]).toMatchObject({ link: null, command: null })
    } finally {
      await bare.stop()
    }
  })
})
