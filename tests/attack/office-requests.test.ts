// Odd and hostile requests at the office listener: addresses, fields and bodies made to confuse. None is served what it may
// not have, and none makes the server fail.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { openRaw, type RawResponse } from '../support/raw-http.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await prepare(test, { bytes: Buffer.from('firmware'), units: 2 })
})
afterAll(() => test.stop())

/** One request as bytes, so that nothing in between makes it tidy. */
async function raw(lines: string[], body = ''): Promise<RawResponse> {
  const client = await openRaw({ port: test.app.officePort })
  client.send(`${lines.join('\r\n')}\r\n\r\n${body}`)
  const answer = await client.response()
  client.destroy()
  return answer
}
const bearer = () => `Authorization: Bearer ${test.keys.integrator}`
const get = (target: string, ...fields: string[]) => raw([`GET ${target} HTTP/1.1`, 'Host: x', ...fields])
const codeOf = (answer: RawResponse): string => JSON.parse(answer.body.toString()).code

describe('an address made to confuse', () => {
  const TRICKS = [
    '/api/v1//units',
    '//api/v1/units',
    '/api/v1/units/',
    '/api/v1/./units',
    '/api/v1/x/../units',
    '/healthz/../api/v1/units',
    '/reference/../api/v1/units',
    '/reference/static/%2e%2e/%2e%2e/api/v1/units',
    '/problems/..%2fapi%2fv1%2funits',
    '/api/v1/%75nits',
    '/API/V1/units',
    '/api/v1/units;x',
    '/api/v1/units%00',
    '/api/v1/units%2f',
    '/api/v1/units/%2e%2e',
    '/api/v1/units/..%2f..%2fkeys',
    '/api\\v1\\units',
    'http://evil.example/api/v1/units',
    '/api/v1/units?access_token=KEY',
    '/api/v1/units?key=KEY&authorization=Bearer%20KEY',
  ]
  it.each(TRICKS)('opens nothing without a key: %s', async (target) => {
    const answer = await get(target.replaceAll('KEY', test.keys.integrator))
    expect([400, 401, 404]).toContain(answer.status)
    expect(answer.field('content-type')).toMatch(/^application\/problem\+json/)
    expect(answer.body.toString()).not.toContain('sill-cam')
  })
  it.each(TRICKS)('and with one it is a list, a refusal or nothing: %s', async (target) => {
    expect([200, 400, 404]).toContain((await get(target.replaceAll('KEY', 'x'), bearer())).status)
  })
  it.each(['%ed%a0%80', '%00', '%ff', '%c0%af', "'%20or%20'1'='1", '%25', '%e2%80%ae'])(
    'holds text that is none: %s',
    async (text) => {
      for (const target of [`/api/v1/units/${text}`, `/api/v1/units?group=${text}`, `/api/v1/tasks?unit=${text}`]) {
        const answer = await get(target, bearer())
        expect([200, 400, 404], target).toContain(answer.status)
        if (answer.status === 200) expect(JSON.parse(answer.body.toString()).items).toEqual([])
      }
    },
  )
  it('is refused where it is longer than a head may be, and read where it is just long', async () => {
    expect((await get(`/api/v1/units?x=${'a'.repeat(100_000)}`, bearer())).status).toBe(400)
    expect((await get(`/api/v1/units?x=${'a'.repeat(12_000)}`, bearer())).status).toBe(200)
    expect((await get(`/api/v1/units?${'a&'.repeat(6000)}`, bearer())).status).toBe(200)
  })
  it('names a parameter twice: refused, not guessed', async () => {
    for (const query of ['limit=1&limit=2', 'after=a&after=b', 'model=a&model=b', 'limit=1&limit=']) {
      const answer = await get(`/api/v1/units?${query}`, bearer())
      expect([answer.status, codeOf(answer)], query).toEqual([400, 'request-invalid'])
    }
  })
})

describe('fields made to confuse', () => {
  it('a flood of them is refused, many are not', async () => {
    const many = (count: number) => Array.from({ length: count }, (_, index) => `X-${index}: 1`)
    expect((await get('/api/v1/units', bearer(), ...many(5000))).status).toBe(400)
    expect((await get('/api/v1/units', bearer(), ...many(500))).status).toBe(200)
  })
  it('another method in a field is not taken for the method', async () => {
    const key = (await test.call('POST', '/keys', { name: 'stays', role: 'auditor' })).body
    for (const name of ['X-HTTP-Method-Override', 'X-HTTP-Method', 'X-Method-Override']) {
      expect((await get(`/api/v1/units?_method=DELETE`, bearer(), `${name}: DELETE`)).status).toBe(200)
      const posted = await raw([
        `POST /api/v1/keys/${key.id} HTTP/1.1`,
        'Host: x',
        bearer(),
        `${name}: DELETE`,
        'Content-Length: 0',
      ])
      expect(posted.status).toBe(405)
    }
    expect((await test.call('GET', '/units', undefined, { key: key.secret })).status).toBe(200)
  })
  it('who is asked for is not read from fields that a proxy sets', async () => {
    for (const field of ['X-Original-URL: /api/v1/keys', 'X-Rewrite-URL: /api/v1/keys', 'X-Forwarded-Prefix: /api'])
      expect((await get('/healthz', field)).body.toString()).toBe('{"ok":true}')
  })
  // RFC 9112 §6.3: two ways to say how long a body is are how requests are smuggled.
  it.each([
    ['Content-Length: 2', 'Transfer-Encoding: chunked'],
    ['Content-Length: 2', 'Content-Length: 3'],
    ['Transfer-Encoding: chunked', 'Transfer-Encoding: identity'],
  ])('two lengths of one body: %s, %s', async (...lengths) => {
    const answer = await raw(
      ['POST /api/v1/units HTTP/1.1', 'Host: x', bearer(), 'Content-Type: application/json', ...lengths],
      '{}',
    )
    expect(answer.status).toBe(400)
  })
  it('two keys in one request are none', async () => {
    const answer = await get('/api/v1/keys', 'Authorization: Bearer fmk-nothing', bearer())
    expect(answer.status).toBe(401)
  })
})

describe('a body made to confuse', () => {
  const post = (target: string, body: string, type = 'application/json') =>
    test.call('POST', target, body, { headers: { 'content-type': type } })
  it.each([
    '{"__proto__":{"polluted":1},"serial":"A","model":"sill-cam"}',
    '{"constructor":{"prototype":{"polluted":1}},"serial":"A","model":"sill-cam"}',
    '{"serial":"A","model":"sill-cam","groups":{"__proto__":[]}}',
  ])('changes no prototype: %s', async (body) => {
    expect((await post('/units', body)).status).toBe(400)
    expect((await post('/check-ins', body)).status).toBeLessThan(500)
    await get('/api/v1/units?__proto__[polluted]=1&constructor.prototype.polluted=1', bearer())
    // The office listener runs in this very process.
    expect(({} as Record<string, unknown>).polluted).toBeUndefined()
  })
  it.each(['/units', '/tasks', '/links', '/check-ins', '/keys'])('nested deeply: %s', async (target) => {
    for (const [open, close] of [
      ['[', ']'],
      ['{"a":', '}'],
    ] as const) {
      const answer = await post(target, `${open.repeat(80_000)}1${close.repeat(80_000)}`)
      expect([200, 400], target).toContain(answer.status)
    }
  })
  it('numbers that no number of ours can be', async () => {
    const { body } = await test.call('GET', '/packages')
    for (const byteBudget of ['1e999', '-0', '9007199254740993', '1e-7', '0x10', 'NaN']) {
      const answer = await post('/links', `{"package":"${body.items[0].id}","kind":"copy","byteBudget":${byteBudget}}`)
      expect(answer.status, byteBudget).toBe(400)
    }
  })
  it('a member twice counts once, as JSON has it (RFC 8259 §4: the last)', async () => {
    const answer = await post('/units', '{"serial":"TWICE-1","model":"sill-cam","notes":"a","notes":"b"}')
    expect(answer.body.notes).toBe('b')
  })
})

describe('an event stream', () => {
  const open = async (key: string): Promise<{ status: number; retry: string | null; stop: () => void }> => {
    const stop = new AbortController()
    const { status, headers } = await fetch(`${test.officeUrl}/api/v1/events`, {
      headers: { authorization: `Bearer ${key}` },
      signal: stop.signal,
    })
    return { status, retry: headers.get('retry-after'), stop: () => stop.abort() }
  }
  /** Places are given back when the server hears that the client has gone. */
  const openWithin = async (key: string) => {
    for (let tries = 0; ; tries += 1) {
      const stream = await open(key)
      if (stream.status === 200 || tries > 100) return stream
      await new Promise((resolve) => setTimeout(resolve, 50))
    }
  }

  it('has 20 places for a key, says so, and leaves those of others alone', async () => {
    const streams = []
    for (let i = 0; i < 20; i += 1) streams.push(await open(test.keys.auditor))
    expect(streams.map(({ status }) => status)).toEqual(Array(20).fill(200))
    const refused = await test.call('GET', '/events', undefined, { key: test.keys.auditor })
    expect([refused.status, refused.body.code]).toEqual([429, 'listeners-full'])
    expect(Number(refused.headers.get('retry-after'))).toBeGreaterThan(0)
    const other = await open(test.keys.operator)
    expect(other.status).toBe(200)
    streams[0]!.stop()
    const again = await openWithin(test.keys.auditor)
    expect(again.status).toBe(200)
    for (const stream of [...streams, other, again]) stream.stop()
  })

  it('that is left before it began keeps no place', async () => {
    for (let i = 0; i < 60; i += 1) {
      const client = await openRaw({ port: test.app.officePort })
      client.send(`GET /api/v1/events HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys.integrator}\r\n\r\n`)
      client.reset()
    }
    const streams = []
    for (let i = 0; i < 20; i += 1) streams.push(await openWithin(test.keys.integrator))
    expect(streams.map(({ status }) => status)).toEqual(Array(20).fill(200))
    for (const stream of streams) stream.stop()
  })
})
