import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp, testProfile } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

const put = (change: Record<string, unknown>, id = 'sill-cam') => test.call('PUT', `/models/${id}`, testProfile(change))
const command = (change: Record<string, unknown>) => ({ command: { ...testProfile().command, ...change } })

describe('a model', () => {
  it('is created, then replaced as a whole, and read back with every default filled in', async () => {
    const created = await put({ cautions: [{ code: 'lens', text: 'Cover the lens.' }] })
    expect(created.status).toBe(201)
    expect(created.body.profile).toMatchObject({ byteBudgetFactor: 2.5, inferredAllowed: true, damagedAfter: 2 })
    test.advance(1000)
    const changed = await put({ title: 'Renamed', byteBudgetFactor: 4 })
    expect(changed.status).toBe(200)
    const { body } = await test.call('GET', '/models/sill-cam')
    expect(body.profile).toMatchObject({ title: 'Renamed', byteBudgetFactor: 4, cautions: [] })
    expect(Date.parse(body.changedAt)).toBeGreaterThan(Date.parse(body.createdAt))
    expect(body.createdAt).toBe(created.body.createdAt)
    const listed = await test.call('GET', '/models')
    expect(listed.body).toEqual({ items: [body], next: null })
  })

  it('is unknown by any other name', async () => {
    expect((await test.call('GET', '/models/sill')).status).toBe(404)
  })

  it('keeps a template to the letter, blanks and line ends too', async () => {
    const template = '  get  {url}\n {{raw}} '
    expect((await put(command({ template }))).body.profile.command.template).toBe(template)
  })

  const faults: [what: string, change: Record<string, unknown>, status: number, pointer: string][] = [
    ['a template without {url}', command({ template: 'update now' }), 422, '/command/template'],
    ['a template that only shows {url}', command({ template: 'update {{url}}' }), 422, '/command/template'],
    ['a place that nobody knows', command({ template: 'get {url} {colour}' }), 422, '/command/template'],
    ['a place that is not closed', command({ template: 'get {url' }), 422, '/command/template'],
    ['a file name with a blank', { fileName: 'my file.bin' }, 422, '/fileName'],
    ['a file name with a folder', { fileName: 'a/b.bin' }, 422, '/fileName'],
    ['a file name with %', { fileName: '%41.bin' }, 422, '/fileName'],
    ['a file name of dots', { fileName: '..' }, 422, '/fileName'],
    ['a budget below the size of the file', { byteBudgetFactor: 0.5 }, 400, '/byteBudgetFactor'],
    [
      'a negative time',
      { times: { installSeconds: -1, soakSeconds: 1, reportsApartSeconds: 1 } },
      400,
      '/times/installSeconds',
    ],
    ['an unknown member', { colour: 'red' }, 400, '/colour'],
    ['an unknown member deep inside', command({ colour: 'red' }), 400, '/command/colour'],
    ['a scheme that is none', { versions: { scheme: 'guess' } }, 400, '/versions/scheme'],
    ['a caution without text', { cautions: [{ code: 'a', text: '' }] }, 400, '/cautions/0/text'],
  ]
  it.each(faults)('is refused for %s, and stays as it was', async (_what, change, status, pointer) => {
    await put({})
    const before = await test.call('GET', '/models/sill-cam')
    const head = (await test.call('GET', '/audit/head')).body
    const refused = await put(change)
    expect(refused.status).toBe(status)
    expect(refused.body.errors.map((fault: { pointer: string }) => fault.pointer)).toContain(pointer)
    expect((await test.call('GET', '/models/sill-cam')).body).toEqual(before.body)
    expect((await test.call('GET', '/audit/head')).body).toEqual(head)
  })

  it('takes {version} in the file name, and an underscore', async () => {
    expect((await put({ fileName: 'cam_{version}.bin' })).status).toBe(200)
  })

  it('goes by one name: address and profile must agree', async () => {
    expect((await put({}, 'other')).body.code).toBe('request-invalid')
    expect((await test.call('GET', '/models/other')).status).toBe(404)
  })
})
