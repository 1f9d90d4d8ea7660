// Sessions for browsers: RFC 6265 cookies with flags, a token for every change, an end.
import request from 'supertest'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

const HOUR_MS = 3_600_000

async function login(key = test.keys.operator) {
  const answer = await request(test.officeUrl).post('/api/v1/session').send({ key })
  expect(answer.status).toBe(201)
  const [line] = answer.headers['set-cookie'] as unknown as string[]
  return { line: line!, cookie: line!.split(';')[0]!, csrf: answer.body.csrfToken as string, body: answer.body }
}
const read = (cookie: string) => request(test.officeUrl).get('/api/v1/units').set('cookie', cookie)
const change = (cookie: string, csrf?: string) => {
  const call = request(test.officeUrl).patch('/api/v1/units/nobody').set('cookie', cookie)
  return (csrf === undefined ? call : call.set('x-csrf-token', csrf)).send({ notes: '' })
}

describe('a session', () => {
  it('comes as a cookie that scripts and other sites cannot use, for 12 h', async () => {
    const { line, body } = await login()
    const flags = line.split('; ').slice(1)
    expect(flags).toEqual(expect.arrayContaining(['HttpOnly', 'SameSite=Strict', 'Path=/', 'Max-Age=43200']))
    expect(Date.parse(body.expiresAt) - test.nowMs()).toBeGreaterThan(12 * HOUR_MS - 5000)
    expect(body).toMatchObject({ role: 'operator' })
  })

  it('reads with the cookie alone, and changes with its token only', async () => {
    const { cookie, csrf } = await login()
    const other = await login()
    expect((await read(cookie)).status).toBe(200)
    for (const wrong of [undefined, '', 'x', other.csrf]) {
      const refused = await change(cookie, wrong)
      expect(refused.status).toBe(403)
      expect(refused.body.code).toBe('csrf-missing')
    }
    expect((await change(cookie, csrf)).status).toBe(404) // Let in: there is no such unit.
  })

  it('is no hindrance to a new login where the token was lost', async () => {
    const { cookie } = await login()
    const again = await request(test.officeUrl)
      .post('/api/v1/session')
      .set('cookie', cookie)
      .send({ key: test.keys.operator })
    expect(again.status).toBe(201)
  })

  it('has the rights of its key and no more', async () => {
    const { cookie, csrf } = await login(test.keys.auditor)
    const refused = await change(cookie, csrf)
    expect(refused.body.code).toBe('role-insufficient')
  })

  it('is not for check-in keys, nor for unknown ones', async () => {
    for (const key of [test.keys['check-in'], 'fmk-nothing']) {
      const answer = await request(test.officeUrl).post('/api/v1/session').send({ key })
      expect(answer.status).toBe(401)
      expect(answer.headers['set-cookie']).toBeUndefined()
    }
  })

  it('ends with DELETE, which needs the token too', async () => {
    const { cookie, csrf } = await login()
    expect((await request(test.officeUrl).delete('/api/v1/session').set('cookie', cookie)).status).toBe(403)
    expect((await read(cookie)).status).toBe(200)
    const ended = await request(test.officeUrl)
      .delete('/api/v1/session')
      .set('cookie', cookie)
      .set('x-csrf-token', csrf)
    expect(ended.status).toBe(204)
    expect((await read(cookie)).status).toBe(401)
  })

  it('ends when its key is revoked, and other sessions go on', async () => {
    const made = await test.call('POST', '/keys', { name: 'temp', role: 'operator' })
    const [mine, other] = [await login(made.body.secret), await login()]
    await test.call('DELETE', `/keys/${made.body.id}`)
    expect((await read(mine.cookie)).status).toBe(401)
    expect((await read(other.cookie)).status).toBe(200)
  })

  it('ends after 12 h and not before', async () => {
    const { cookie } = await login()
    test.advance(12 * HOUR_MS - 60_000)
    expect((await read(cookie)).status).toBe(200)
    test.advance(61_000)
    expect((await read(cookie)).status).toBe(401)
  })
})
