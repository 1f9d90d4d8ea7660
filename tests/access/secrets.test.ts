// Secrets: what an auditor sees of links, and what the data folder holds.
import { readdirSync, readFileSync } from 'node:fs'
import path from 'node:path'
import request from 'supertest'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { filled, readDocument } from '../http/openapi.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
const tokens: string[] = []
const ids: Record<string, string> = {}
beforeAll(async () => {
  test = await startTestApp()
  const { packageId, unitIds, imeis } = await prepare(test, { bytes: Buffer.from('firmware'), units: 3 })
  const headers = { 'idempotency-key': 'issue once' }
  const air = await test.call('POST', '/tasks', { unit: unitIds[0], package: packageId }, { headers })
  const hand = await test.call('POST', '/tasks', { unit: unitIds[1], package: packageId, method: 'card' })
  const copy = await test.call(
    'POST',
    '/links',
    { package: packageId, kind: 'copy' },
    { headers: { 'idempotency-key': 'l' } },
  )
  const urls = [air.body.tasks[0].link.url, hand.body.tasks[0].link.url, copy.body.url]
  for (const url of urls) tokens.push(/\/d\/([^/]+)\//.exec(url)![1]!)
  // A camera was there: its address and what it asked for are in the record now.
  await (await fetch(urls[0])).arrayBuffer()
  Object.assign(ids, {
    units: unitIds[0],
    tasks: air.body.tasks[0].id,
    packages: packageId,
    models: 'sill-cam',
    problems: 'unit-not-found',
    imei: imeis[0],
  })
})
afterAll(() => test.stop())

describe('an auditor', () => {
  it('sees … in place of the token, in address and command alike; an operator sees the token', async () => {
    const masked = await test.call('GET', `/tasks/${ids.tasks}`, undefined, { key: test.keys.auditor })
    const full = await test.call('GET', `/tasks/${ids.tasks}`, undefined, { key: test.keys.operator })
    expect(full.body.link.url).toContain(tokens[0])
    expect(full.body.command.text).toContain(tokens[0])
    expect(masked.body.link.url).toBe(full.body.link.url.replace(tokens[0], '…'))
    expect(masked.body.command.text).toBe(full.body.command.text.replace(tokens[0], '…'))
  })

  it('finds no token in any answer that a GET can give, by key or by session', async () => {
    const { operations } = await readDocument(test.officeUrl)
    const gets = operations.filter(({ method, path: target }) => method === 'get' && target !== '/api/v1/events')
    // Every value of every choice that a call offers: forms of export, states, kinds.
    const targets = gets.flatMap(({ path: target, parameters }) => {
      const noun = target.split('/')[target.startsWith('/api/') ? 3 : 1] ?? ''
      const address = target.endsWith('/tasks/sheets') ? `${target}?ids=${ids.tasks}` : filled(target, ids[noun] ?? 'x')
      const choices = parameters.filter((one) => one.in === 'query' && one.schema.enum)
      const chosen = choices.flatMap(({ name, schema }) => schema.enum.map((value: string) => `?${name}=${value}`))
      return ['', ...chosen].map((query) => `${address}${query}`)
    })
    targets.push('/api/v1/audit?limit=1000', '/openapi.json', '/reference')
    const { headers } = await request(test.officeUrl).post('/api/v1/session').send({ key: test.keys.auditor })
    const cookie = String(headers['set-cookie']).split(';')[0]!
    const unanswered: string[] = []
    for (const target of targets) {
      const byKey = await request(test.officeUrl).get(target).set('authorization', `Bearer ${test.keys.auditor}`)
      const bySession = await request(test.officeUrl).get(target).set('cookie', cookie)
      for (const answer of [byKey, bySession]) {
        if (answer.status >= 400) unanswered.push(`${target} ${answer.status}`)
        for (const token of tokens) expect(answer.text.toLowerCase(), target).not.toContain(token.toLowerCase())
      }
    }
    // Each really gave something to search in: a new noun is made known in `ids` above.
    expect(unanswered).toEqual([])
  })

  it('hears none in the stream of events from the very first', async () => {
    const headers = { authorization: `Bearer ${test.keys.auditor}` }
    const stop = new AbortController()
    const stream = await fetch(`${test.officeUrl}/api/v1/events?after=0`, { headers, signal: stop.signal })
    let text = ''
    for await (const piece of stream.body!) {
      text += Buffer.from(piece).toString('utf8')
      if ((text.match(/task\.issued/g) ?? []).length >= 2) break
    }
    stop.abort()
    for (const token of tokens) expect(text.toLowerCase()).not.toContain(token.toLowerCase())
  })
})

describe('the data folder', () => {
  it('holds no token, key, cookie or CSRF token in its database, only hashes', async () => {
    const session = await request(test.officeUrl).post('/api/v1/session').send({ key: test.keys.operator })
    const cookie = /firmhand_session=([^;]+)/.exec(String(session.headers['set-cookie']))![1]!
    const made = await test.call(
      'POST',
      '/keys',
      { name: 'n', role: 'auditor' },
      { headers: { 'idempotency-key': 'k' } },
    )
    const secrets = [...tokens, ...Object.values(test.keys), made.body.secret, cookie, session.body.csrfToken]
    const files = readdirSync(test.dataFolder).filter((name) => name.startsWith('firmhand.db'))
    expect(files.length).toBeGreaterThan(1) // The write-ahead log is searched too.
    const bytes = files.map((name) => readFileSync(path.join(test.dataFolder, name), 'latin1').toLowerCase()).join('')
    expect(bytes).toContain('issue once') // The search would find what is there.
    for (const secret of secrets) expect(bytes.includes(secret.toLowerCase()), secret).toBe(false)
  })
})
