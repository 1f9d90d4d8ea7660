// The life of a package by the API; uploads themselves are tested elsewhere.
import { createHash } from 'node:crypto'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp, testProfile } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await test.call('PUT', '/models/sill-cam', testProfile())
})
afterAll(() => test.stop())

const upload = (version: string, bytes: string, change = '') =>
  test.call('POST', `/packages?model=sill-cam&version=${version}&fileName=sill.bin${change}`, Buffer.from(bytes))
const hex = (algorithm: string, bytes: string) => createHash(algorithm).update(bytes).digest('hex')

describe('a package', () => {
  it('has exactly the members of its description, with digests in lower-case hex', async () => {
    const { status, body } = await upload('1.0.0', '123456789')
    expect(status).toBe(201)
    expect(body).toEqual({
      id: body.id,
      model: 'sill-cam',
      version: '1.0.0',
      fileName: 'sill.bin',
      sizeBytes: 9,
      digests: {
        sha256: hex('sha256', '123456789'),
        sha1: hex('sha1', '123456789'),
        md5: hex('md5', '123456789'),
        crc32: 'cbf43926', // The check value of CRC-32/ISO-HDLC in the CRC catalogue.
      },
      state: 'draft',
      installsOver: null,
      findings: [],
      notes: '',
      createdAt: expect.stringMatching(/^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$/),
    })
    expect((await test.call('GET', `/packages/${body.id}`)).body).toEqual(body)
  })

  it('is the same one for the same bytes, and refused for other bytes under its version', async () => {
    const first = await upload('1.1.0', 'same')
    const again = await upload('1.1.0', 'same')
    expect([again.status, again.body.id]).toEqual([200, first.body.id])
    const other = await upload('1.1.0', 'other')
    expect([other.status, other.body.code, other.body.existing]).toEqual([409, 'version-taken', first.body.id])
    expect((await test.call('GET', `/packages/${first.body.id}`)).body).toEqual(first.body)
  })

  it('is changed as a draft only', async () => {
    const { body } = await upload('1.2.0', 'a draft')
    const target = `/packages/${body.id}`
    const changed = await test.call('PATCH', target, { installsOver: ['1.0.0', ' 1.1.0 '], notes: 'For row B.' })
    expect(changed.body).toEqual({ ...body, installsOver: ['1.0.0', '1.1.0'], notes: 'For row B.' })
    expect((await test.call('PATCH', target, {})).body).toEqual(changed.body)
    expect((await test.call('PATCH', target, { installsOver: null })).body.installsOver).toBeNull()
    expect((await test.call('PATCH', target, { version: '7' })).status).toBe(400)
    expect((await test.call('POST', `${target}/release`, {})).body.state).toBe('released')
    const late = await test.call('PATCH', target, { notes: 'late' })
    expect([late.status, late.body.code]).toEqual([409, 'state-refused'])
  })

  it('is released once, again without a fuss, and not after it was withdrawn', async () => {
    const { body } = await upload('1.3.0', 'to be withdrawn')
    const release = () => test.call('POST', `/packages/${body.id}/release`)
    expect([(await release()).body.state, (await release()).status]).toEqual(['released', 200])
    expect((await test.call('POST', `/packages/${body.id}/withdraw`, {})).status).toBe(400) // Without a reason.
    const withdrawn = await test.call('POST', `/packages/${body.id}/withdraw`, { reason: 'boots twice' })
    expect(withdrawn.body.state).toBe('withdrawn')
    expect([(await release()).status, (await release()).body.code]).toEqual([409, 'state-refused'])
  })

  it('that looks like a web page is released only if somebody says that it is wanted; an empty one never', async () => {
    const page = await upload('1.4.0', '<!doctype html><title>Sign in</title>')
    expect(page.body.findings[0]).toMatchObject({ level: 'error', code: 'html-page' })
    const refused = await test.call('POST', `/packages/${page.body.id}/release`, {})
    expect([refused.status, refused.body.code]).toEqual([409, 'findings-open'])
    const wanted = await test.call('POST', `/packages/${page.body.id}/release`, { acceptFindings: ['html-page'] })
    expect(wanted.body.state).toBe('released')
    const empty = await upload('1.5.0', '')
    const never = await test.call('POST', `/packages/${empty.body.id}/release`, { acceptFindings: ['empty-file'] })
    expect(never.body.code).toBe('findings-open')
  })

  it('is listed by model, page by page, and unknown by any other name', async () => {
    const all = (await test.call('GET', '/packages?limit=1000')).body.items
    expect(all.length).toBeGreaterThan(4)
    const first = await test.call('GET', '/packages?limit=2&model=sill-cam')
    const second = await test.call('GET', `/packages?limit=1000&model=sill-cam&after=${first.body.next}`)
    expect([...first.body.items, ...second.body.items]).toEqual(all)
    expect((await test.call('GET', '/packages?model=other')).body.items).toEqual([])
    expect((await test.call('GET', '/packages/p_nothing')).body.code).toBe('package-not-found')
  })

  it.each([
    ['a file name with a slash', 'version=1&fileName=a/b', '/querystring/fileName'],
    ['a file name with a question mark', 'version=1&fileName=a%3Fb', '/querystring/fileName'],
    ['no version', 'fileName=a.bin', '/querystring/version'],
    ['a version of blanks', 'version=%20&fileName=a.bin', '/querystring/version'],
  ])('is refused for %s', async (_what, query, pointer) => {
    const refused = await test.call('POST', `/packages?model=sill-cam&${query}`, Buffer.from('x'))
    expect(refused.status).toBe(400)
    expect(refused.body.errors[0].pointer).toBe(pointer)
  })

  it('needs its model first', async () => {
    const refused = await test.call('POST', '/packages?model=none&version=1&fileName=a.bin', Buffer.from('x'))
    expect([refused.status, refused.body.code]).toEqual([404, 'model-not-found'])
  })
})
