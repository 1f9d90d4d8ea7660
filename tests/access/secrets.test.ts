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

  it('finds no token in any answer that a GET can give', async () => {
    const { operations } = await readDocument(test.officeUrl)
    const targets = operations
      .filter(({ method, path: target }) => method === 'get' && target !== '/api/v1/events')
      .map(({ path: target }) => filled(target, ids[target.split('/')[3] ?? ''] ?? 'x'))
      .map((target) => (target.endsWith('/tasks/sheets') ? `${target}?ids=${ids.tasks}` : target))
    targets.push('/api/v1/audit?format=jsonl', '/api/v1/audit?format=csv', '/api/v1/audit?limit=1000')
    let answered = 0
    for (const target of targets) {
      const answer = await request(test.officeUrl).get(target).set('authorization', `Bearer ${test.keys.auditor}`)
      if (answer.status === 200) answered += 1
      for (const token of tokens) expect(answer.text.toLowerCase(), target).not.toContain(token.toLowerCase())
    }
    expect(answered).toBe(targets.length)
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
