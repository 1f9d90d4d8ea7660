// Ways around a hold. The rule is of this house (docs/upkeep.md): while it lasts nothing goes out, no byte and no address
// that would bring one.
import { randomBytes } from 'node:crypto'
import { once } from 'node:events'
import net from 'node:net'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp } from '../support/app.js'

const bytes = randomBytes(100_000)
let test: TestApp
let packageId: string
let copyBody: Record<string, unknown>
let tasks: { air: string; card: string }
let tokens: string[]
/** Opened and used once before the hold. */
let kept: net.Socket
let made: { url: string }

const once_ = { 'idempotency-key': 'the same once more' }
const tokenOf = (url: string) => new URL(url).pathname.split('/')[2]!

/** The head of one answer on a connection that is open. */
async function ask(socket: net.Socket, lines: string): Promise<string> {
  socket.write(`${lines}\r\nHost: x\r\n\r\n`)
  let got = ''
  while (!got.includes('\r\n\r\n')) got += (await once(socket, 'data'))[0]
  return got
}
const connect = async (url: string) => {
  const socket = net.connect(Number(new URL(url).port), '127.0.0.1').on('error', () => undefined)
  await once(socket, 'connect')
  return socket
}

beforeAll(async () => {
  test = await startTestApp()
  const prepared = await prepare(test, { bytes, units: 2 })
  packageId = prepared.packageId
  const issue = async (unit: string, method: string) =>
    (await test.call('POST', '/tasks', { unit, package: packageId, method })).body.tasks[0]
  const air = await issue(prepared.imeis[0]!, 'air')
  const card = await issue(prepared.imeis[1]!, 'card')
  tasks = { air: air.id, card: card.id }
  copyBody = { package: packageId, kind: 'copy', tasks: [card.id] }
  made = (await test.call('POST', '/links', copyBody, { headers: once_ })).body
  tokens = [air.link.url, made.url, ...(card.link ? [card.link.url] : [])].map(tokenOf)
  kept = await connect(test.publicUrl)
  await ask(kept, `HEAD ${new URL(made.url).pathname} HTTP/1.1`)
  await test.call('POST', '/hold', { reason: 'somebody tries' })
})
afterAll(() => test.stop())

describe('on hold', () => {
  it.each([
    ['the list of links', () => '/links'],
    ['the list of live links', () => '/links?state=live'],
    ['the list of tasks', () => '/tasks'],
    ['a task', () => `/tasks/${tasks.air}`],
    ['a sheet', () => `/tasks/${tasks.card}/sheet`],
    ['sheets', () => `/tasks/sheets?ids=${tasks.card},${tasks.air}`],
  ])('%s shows no token to anybody', async (_, path) => {
    for (const role of ['integrator', 'operator', 'auditor'] as const) {
      const { status, body } = await test.call('GET', path(), undefined, { key: test.keys[role] })
      expect(status).toBe(200)
      for (const token of tokens) expect(JSON.stringify(body)).not.toContain(token)
    }
  })

  it('a sheet says so, in place of its code', async () => {
    const { body } = await test.call('GET', `/tasks/${tasks.card}/sheet`)
    expect(body).toContain('STOP. The server is on hold')
    expect(body).not.toContain('<svg')
  })

  it('the repeat of a request that made a link does not give it out again', async () => {
    const { status, body } = await test.call('POST', '/links', copyBody, { headers: once_ })
    expect(status).toBe(201)
    expect(JSON.stringify(body)).not.toContain(tokenOf(made.url))
  })

  it.each(['GET', 'HEAD'])('%s gives no byte, whole, in part or on condition', async (method) => {
    const { pathname } = new URL(made.url)
    const fields = [
      '',
      '\r\nRange: bytes=0-0',
      '\r\nRange: bytes=-1',
      '\r\nIf-None-Match: *',
      '\r\nIf-Match: *',
      '\r\nIf-Modified-Since: Fri, 31 Dec 9999 23:59:59 GMT',
    ]
    for (const field of fields) {
      const socket = await connect(test.publicUrl)
      const answer = await ask(socket, `${method} ${pathname} HTTP/1.1${field}`)
      expect(answer).toMatch(/^HTTP\/1\.1 503 /)
      expect(answer.split('\r\n\r\n')[1]).toBe('')
      socket.destroy()
    }
  })

  it('a connection that was used before gives none either', async () => {
    const answer = kept.destroyed ? '' : await ask(kept, `GET ${new URL(made.url).pathname} HTTP/1.1`).catch(() => '')
    expect(answer).not.toMatch(/^HTTP\/1\.1 [23]/)
  })
})

it('released, all of it is there again', async () => {
  const { held } = (await test.call('GET', '/hold')).body
  await test.call('POST', '/hold/release', { note: 'looked at', acknowledge: held })
  expect(JSON.stringify((await test.call('GET', '/links')).body)).toContain(tokenOf(made.url))
  expect((await test.call('GET', `/tasks/${tasks.card}/sheet`)).body).toContain('<svg')
  const answer = await fetch(made.url)
  expect(Buffer.from(await answer.arrayBuffer()).equals(bytes)).toBe(true)
})
