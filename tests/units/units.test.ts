import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei, testProfile } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await test.call('PUT', '/models/sill-cam', testProfile())
  await test.call('PUT', '/models/dash-cam', testProfile({ id: 'dash-cam' }))
})
afterAll(() => test.stop())

const create = (body: object) => test.call('POST', '/units', { model: 'sill-cam', ...body })
let count = 1000
const imei = () => testImei(count++)

describe('a unit', () => {
  it('is created with all it has, and found by our id, IMEI and serial number', async () => {
    const given = {
      imei: '490154203237518', // 3GPP TS 23.003, a widely printed example; its check digit is recomputed by a vector.
      serial: 'SC-0001/7',
      model: 'sill-cam',
      hardware: 'B',
      phone: '+441632960961', // E.164, from the range that Ofcom keeps for drama.
      iccid: '8944500102198304826',
      groups: ['depot north', 'winter'],
      timeZone: 'Europe/Berlin',
      dataAllowanceBytes: 50_000_000,
      notes: 'left of the mirror',
    }
    const made = await create(given)
    expect(made.status).toBe(201)
    const wanted = {
      ...given,
      id: made.body.id,
      version: null,
      versionObservedAt: null,
      openTask: null,
      retired: false,
    }
    expect(made.body).toEqual(wanted)
    for (const name of [made.body.id, given.imei, given.serial]) {
      expect((await test.call('GET', `/units/${encodeURIComponent(name)}`)).body).toEqual(wanted)
    }
    expect((await test.call('GET', '/units/490154203237519')).status).toBe(404)
  })

  const faults: [what: string, body: object, pointer: string][] = [
    ['an IMEI with a wrong check digit', { imei: '490154203237517' }, '/imei'],
    ['an IMEI with its software version', { imei: '4901542032375180' }, '/imei'],
    ['an IMEI of zeros', { imei: '000000000000000' }, '/imei'],
    ['an IMEI that was through a spreadsheet', { imei: '4.90154E+14' }, '/imei'],
    ['an IMEI that is a number', { imei: 490154203237518 }, '/imei'],
    ['a serial number with blanks around it', { serial: ' A1' }, '/serial'],
    ['a serial number that is empty', { serial: '' }, '/serial'],
    ['a phone number without a country', { phone: '01632960961' }, '/phone'],
    ['a phone number that is too long', { phone: '+4416329609610000' }, '/phone'],
    ['an ICCID with a wrong check digit', { iccid: '8944500102198304827' }, '/iccid'],
    ['a time zone that is none', { timeZone: 'Mars/Olympus' }, '/timeZone'],
    ['an empty group', { groups: [''] }, '/groups/0'],
    ['a negative allowance', { dataAllowanceBytes: -1 }, '/dataAllowanceBytes'],
    ['a version, which only a report can tell', { version: '1.0.0' }, '/version'],
  ]
  it.each(faults)('is refused for %s, with a pointer', async (_what, body, pointer) => {
    const refused = await create({ ...('serial' in body ? {} : { serial: `F${count++}` }), ...body })
    expect(refused.status).toBe(400)
    expect(refused.body.errors.map((fault: { pointer: string }) => fault.pointer)).toEqual([pointer])
  })

  it('needs an identity and a model that exists', async () => {
    expect((await create({})).body.code).toBe('request-invalid')
    expect((await create({ serial: 'S-1', model: 'none' })).body.code).toBe('model-not-found')
    const made = await create({ serial: 'S-only' })
    expect((await test.call('PATCH', `/units/${made.body.id}`, { serial: null })).status).toBe(400)
  })

  it('shares its identities with no other, not even across the two kinds', async () => {
    const [one, two] = [imei(), imei()]
    const first = await create({ imei: one, serial: 'SN-9' })
    for (const body of [{ imei: one }, { serial: 'SN-9' }, { serial: one }]) {
      const taken = await create(body)
      expect([taken.status, taken.body.code, taken.body.unit]).toEqual([409, 'unit-taken', first.body.id])
    }
    const second = await create({ imei: two })
    expect((await test.call('PATCH', `/units/${two}`, { serial: 'SN-9' })).status).toBe(409)
    // Its own identity once more is no conflict.
    expect((await test.call('PATCH', `/units/${two}`, { imei: two, hardware: 'C' })).body.hardware).toBe('C')
    expect(second.status).toBe(201)
  })

  it('changes only what is named', async () => {
    const made = await create({ imei: imei(), groups: ['a'], notes: 'n', hardware: 'A' })
    const changed = await test.call('PATCH', `/units/${made.body.id}`, { hardware: null, groups: ['z', 'b', 'b'] })
    expect(changed.body).toEqual({ ...made.body, hardware: null, groups: ['b', 'z'] })
    const head = (await test.call('GET', '/audit/head')).body
    expect((await test.call('PATCH', `/units/${made.body.id}`, { groups: ['b', 'z'] })).body).toEqual(changed.body)
    expect((await test.call('GET', '/audit/head')).body).toEqual(head) // Nothing changed, so nothing is logged.
    expect((await test.call('PATCH', '/units/nobody', { notes: '' })).status).toBe(404)
  })

  it('with an open task keeps its model and cannot be retired; without one it can', async () => {
    const { packageId } = await prepare(test, { bytes: Buffer.from('firmware'), units: 0 })
    const { body: unit } = await create({ imei: imei() })
    const { body: issued } = await test.call('POST', '/tasks', { unit: unit.id, package: packageId })
    const [task] = issued.tasks
    expect((await test.call('GET', `/units/${unit.id}`)).body.openTask).toBe(task.id)
    for (const change of [{ retired: true }, { model: 'dash-cam' }]) {
      const refused = await test.call('PATCH', `/units/${unit.id}`, change)
      expect([refused.status, refused.body.code, refused.body.task]).toEqual([409, 'state-refused', task.id])
    }
    expect((await test.call('PATCH', `/units/${unit.id}`, { notes: 'open' })).status).toBe(200)
    await test.call('POST', `/tasks/${task.id}/cancel`, { reason: 'sold' })
    const retired = await test.call('PATCH', `/units/${unit.id}`, { retired: true, model: 'dash-cam' })
    expect(retired.body).toMatchObject({ retired: true, model: 'dash-cam', openTask: null })
  })
})

describe('lists', () => {
  it('give every unit once, in any size of page, whatever is added meanwhile', async () => {
    for (let i = 0; i < 12; i += 1) await create({ imei: imei(), groups: i % 3 === 0 ? ['third'] : ['rest'] })
    const all = (await test.call('GET', '/units?limit=1000')).body.items.map((unit: { id: string }) => unit.id)
    expect(new Set(all).size).toBe(all.length)
    await fc.assert(
      fc.asyncProperty(fc.integer({ min: 1, max: all.length + 1 }), fc.boolean(), async (limit, adds) => {
        const seen: string[] = []
        for (let next: string | null = ''; next !== null; ) {
          const page = await test.call('GET', `/units?limit=${limit}${next === '' ? '' : `&after=${next}`}`)
          expect(page.body.items.length).toBeLessThanOrEqual(limit)
          seen.push(...page.body.items.map((unit: { id: string }) => unit.id))
          next = page.body.next
          if (adds && seen.length === limit) await create({ imei: imei() })
        }
        expect(new Set(seen).size).toBe(seen.length)
        expect(seen.slice(0, all.length)).toEqual(all)
      }),
      { numRuns: 12 },
    )
  })

  it('filter by group and model, and know no limit above 1,000', async () => {
    const third = await test.call('GET', '/units?group=third')
    expect(third.body.items).toHaveLength(4)
    expect(third.body.items.every((unit: { groups: string[] }) => unit.groups.includes('third'))).toBe(true)
    expect((await test.call('GET', '/units?group=nobody')).body).toEqual({ items: [], next: null })
    const dash = (await test.call('GET', '/units?model=dash-cam')).body.items
    expect(dash).toHaveLength(1)
    for (const limit of ['0', '1001', '-1', 'x', '1.5'])
      expect((await test.call('GET', `/units?limit=${limit}`)).status).toBe(400)
  })
})
