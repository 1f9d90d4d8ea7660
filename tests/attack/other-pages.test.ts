// A page of another origin in the browser of somebody who is logged in: what it may not do with the session. Rules: Fetch
// Metadata (W3C), Origin (RFC 6454), cookies that know no ports (RFC 6265 §8.5), CORS (WHATWG Fetch), never granted.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { openRaw } from '../support/raw-http.js'

let test: TestApp
let session: { cookie: string; csrf: string }
beforeAll(async () => {
  test = await startTestApp()
  await prepare(test, { bytes: Buffer.from('firmware') })
  const { headers, body } = await test.call('POST', '/session', { key: test.keys.operator }, { key: null })
  session = { cookie: headers.get('set-cookie')!.split(';')[0]!, csrf: body.csrfToken }
})
afterAll(() => test.stop())

/** As bytes: no library may mend `Host` or leave a field out. */
async function ask(method: string, target: string, fields: Record<string, string>, body = '') {
  const client = await openRaw({ port: test.app.officePort })
  const host = new URL(test.officeUrl).host
  const all = { host, 'content-length': String(Buffer.byteLength(body)), ...fields }
  const lines = Object.entries(all).map(([name, value]) => `${name}: ${value}`)
  client.send(`${method} ${target} HTTP/1.1\r\n${lines.join('\r\n')}\r\n\r\n${body}`)
  const answer = await client.response()
  client.destroy()
  const text = answer.body.toString()
  return { status: answer.status, field: answer.field, code: text.startsWith('{') ? JSON.parse(text).code : null }
}
const withSession = (fields: Record<string, string>) => ({ cookie: session.cookie, ...fields })
const changing = (fields: Record<string, string>) =>
  ask(
    'POST',
    '/api/v1/units',
    withSession({ 'x-csrf-token': session.csrf, 'content-type': 'application/json', ...fields }),
    '{}',
  )

describe('a session', () => {
  it.each([
    { 'sec-fetch-site': 'cross-site', 'sec-fetch-mode': 'cors' },
    { 'sec-fetch-site': 'same-site', 'sec-fetch-mode': 'cors' },
    { 'sec-fetch-site': 'same-site', 'sec-fetch-mode': 'no-cors' },
    { 'sec-fetch-site': 'junk' },
    { origin: 'http://evil.example' },
    { origin: 'http://127.0.0.1:1' },
    { origin: 'null' },
    { origin: '' },
  ])('is not for another page: %o', async (fields) => {
    const read = await ask('GET', '/api/v1/units', withSession(fields as never))
    expect([read.status, read.code]).toEqual([403, 'origin-refused'])
    const changed = await changing(fields as never)
    expect([changed.status, changed.code]).toEqual([403, 'origin-refused'])
  })

  it('serves pages of its own, and whoever opens an address by hand or by a link', async () => {
    const own: Record<string, string>[] = [
      {},
      { origin: test.officeUrl },
      { origin: test.officeUrl, 'sec-fetch-site': 'same-origin' },
      { 'sec-fetch-site': 'none', 'sec-fetch-mode': 'navigate' },
      { 'sec-fetch-site': 'same-site', 'sec-fetch-mode': 'navigate' },
    ]
    for (const fields of own) expect((await ask('GET', '/api/v1/units', withSession(fields))).status).toBe(200)
    // Let in: the body is what is wrong.
    expect((await changing({ origin: test.officeUrl })).status).toBe(400)
    // A form that another page sends off is a navigation too, and no reading.
    const form = await changing({ 'sec-fetch-site': 'same-site', 'sec-fetch-mode': 'navigate' })
    expect(form.code).toBe('origin-refused')
  })

  it('behind a proxy that passes Host on works by that name', async () => {
    const fields = { host: 'office.example', origin: 'https://office.example' }
    expect((await ask('GET', '/api/v1/units', withSession(fields))).status).toBe(200)
  })

  // DNS rebinding: the page's own name leads here. Its browser has no cookie of ours for that name, and nothing else opens.
  it('is not there for a page whose name was made to lead here', async () => {
    const rebound = { host: 'evil.example', origin: 'http://evil.example', 'sec-fetch-site': 'same-origin' }
    expect((await ask('GET', '/api/v1/units', rebound)).status).toBe(401)
    const cookie = (
      await ask(
        'POST',
        '/api/v1/session',
        { 'content-type': 'application/json' },
        JSON.stringify({ key: test.keys.operator }),
      )
    ).field('set-cookie')
    // No Domain: the cookie belongs to the very host that set it (RFC 6265 §5.3).
    expect(cookie).toMatch(/HttpOnly/)
    expect(cookie).not.toMatch(/domain=/i)
  })

  it.each(['text/plain', 'application/x-www-form-urlencoded', 'multipart/form-data; boundary=x'])(
    'is not opened or used by what a form can send: %s',
    async (type) => {
      const login = await ask(
        'POST',
        '/api/v1/session',
        { 'content-type': type },
        JSON.stringify({ key: test.keys.operator }),
      )
      expect([login.status, login.field('set-cookie')]).toEqual([415, undefined])
      const body = JSON.stringify({ serial: 'FORM-1', model: 'sill-cam' })
      const without = await ask('POST', '/api/v1/units', withSession({ 'content-type': type }), body)
      expect([without.status, without.code]).toEqual([403, 'csrf-missing'])
      const withToken = await changing({ 'content-type': type })
      expect(withToken.status).toBe(415)
    },
  )
})

describe('a key', () => {
  it('works from wherever a program sends it, whatever it says of its origin', async () => {
    const fields = { authorization: `Bearer ${test.keys.operator}`, origin: 'http://elsewhere.example' }
    expect((await ask('GET', '/api/v1/units', fields)).status).toBe(200)
  })
})

it('no answer lets pages of other origins read it', async () => {
  const origin = { origin: 'http://evil.example', 'access-control-request-method': 'POST' }
  const answers = [
    await ask('OPTIONS', '/api/v1/units', origin),
    await ask('OPTIONS', '/api/v1/session', origin),
    await ask('GET', '/openapi.json', origin),
    await ask('GET', '/api/v1/units', { ...origin, authorization: `Bearer ${test.keys.operator}` }),
  ]
  for (const answer of answers) {
    expect(answer.field('access-control-allow-origin')).toBeUndefined()
    expect(answer.field('access-control-allow-credentials')).toBeUndefined()
  }
  expect(answers[0]!.status).toBe(405)
})
