// A hostile or careless client at the office listener: what it may not do, and what must not become a fault of the server.
import { once } from 'node:events'
import http from 'node:http'
import { Writable } from 'node:stream'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { SYSTEM } from '../../src/audit/actor.js'
import { appendAudit } from '../../src/audit/audit.store.js'
import { createLogger } from '../../src/logger.js'
import { openDataFolder } from '../../src/server/data-folder.driver.js'
import { openWriter } from '../../src/server/writer.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { openRaw } from '../support/raw-http.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

async function listen(key: string, after = ''): Promise<{ stream: http.IncomingMessage; text: () => string }> {
  const request = http.get(`${test.officeUrl}/api/v1/events${after}`, { headers: { authorization: `Bearer ${key}` } })
  const [stream] = (await once(request, 'response')) as [http.IncomingMessage]
  let text = ''
  stream.on('data', (piece) => {
    text += piece
  })
  stream.on('error', () => undefined)
  return { stream, text: () => text }
}

describe('a key that is revoked', () => {
  it('loses the event stream that it opened, and hears nothing of what comes', async () => {
    const { packageId, imeis } = await prepare(test, { bytes: Buffer.from('firmware') })
    const key = (await test.call('POST', '/keys', { name: 'listener', role: 'auditor' })).body
    const revoked = await listen(key.secret)
    const other = await listen(test.keys.auditor)
    const closed = new Promise((resolve) => revoked.stream.on('close', resolve))
    await test.call('DELETE', `/keys/${key.id}`)
    test.advance(2000)
    await test.call('POST', '/tasks', { unit: imeis[0], package: packageId })
    await closed
    expect(revoked.text()).not.toContain('task.issued')
    expect(other.stream.destroyed).toBe(false)
    other.stream.destroy()
  })

  it('cannot finish the upload that it began', async () => {
    const key = (await test.call('POST', '/keys', { name: 'uploader', role: 'integrator' })).body
    const client = await openRaw({ port: test.app.officePort })
    client.send(
      `POST /api/v1/packages?model=sill-cam&version=6.6.6&fileName=a.bin HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${key.secret}\r\nContent-Type: application/octet-stream\r\nContent-Length: 6\r\n\r\nabc`,
    )
    await new Promise((resolve) => setTimeout(resolve, 200))
    await test.call('DELETE', `/keys/${key.id}`)
    client.send('def')
    const answer = await client.response()
    client.destroy()
    expect(answer.status).toBe(401)
    const stored = (await test.call('GET', '/packages')).body.items
    expect(stored.map((pack: { version: string }) => pack.version)).not.toContain('6.6.6')
  })
})

it('who resumes the event stream far back gets all of it, at its own pace', async () => {
  const ENTRIES = 2000
  await test.app.stop()
  const data = openDataFolder(test.dataFolder)
  const writer = await openWriter({
    data,
    settings: { serverSecret: data.serverSecret, publicUrl: null, behindProxy: false, taskDeadlineHours: 1 },
    clock: test.nowMs,
    publish: () => undefined,
    sweep: false,
    onError: (error) => {
      throw error
    },
  })
  const draft = { action: 'task.flagged', detail: { text: 'x'.repeat(8000) } } // 16 MB in all: far above any buffer.
  await writer.run((work) => appendAudit(work, SYSTEM, Array(ENTRIES).fill(draft)))
  await writer.close()
  await test.restart()
  const { stream } = await listen(test.keys.auditor, '?after=0')
  let entries = 0
  stream.on('data', (piece: Buffer) => {
    entries += piece.toString('latin1').match(/flagged/g)?.length ?? 0
  })
  stream.pause()
  await new Promise((resolve) => setTimeout(resolve, 300))
  stream.resume()
  while (entries < ENTRIES - 10 && !stream.destroyed) await new Promise((resolve) => setTimeout(resolve, 20))
  expect(entries).toBeGreaterThanOrEqual(ENTRIES - 10) // A word may be cut in two by a packet.
  expect(stream.destroyed).toBe(false)
  stream.destroy()
})

describe('what the caller did wrong is never a fault of the server', () => {
  it.each(['/units/', '/tasks/', '/packages/', '/models/'])('an endless name: %s', async (noun) => {
    expect((await test.call('GET', noun + 'a'.repeat(2500))).status).toBe(400)
  })

  it('an address outside the reference page', async () => {
    const client = await openRaw({ port: test.app.officePort })
    client.send('GET /reference/static/%2e%2e/%2e%2e/package.json HTTP/1.1\r\nHost: x\r\n\r\n')
    const answer = await client.response()
    client.destroy()
    expect(answer.status).toBe(404)
  })

  it('a time that its offset pushes beyond the year 9999, which RFC 3339 §5.6 cannot write', async () => {
    const make = (expiresAt: string) => test.call('POST', '/keys', { name: 'long', role: 'auditor', expiresAt })
    expect((await make('9999-12-31T23:59:59-00:01')).status).toBe(400)
    expect((await make('9999-12-31T23:59:59Z')).body.expiresAt).toBe('9999-12-31T23:59:59.000Z')
  })

  it.each(['CON', 'nul.bin', 'Com1.x', 'a.', '..'])('a file name that a computer cannot store: %s', async (name) => {
    const upload = (fileName: string) =>
      test.call('POST', `/packages?model=sill-cam&version=7.0.0&fileName=${fileName}`, Buffer.from('seven'))
    expect((await upload(name)).status).toBe(400)
    expect((await upload('console.bin')).status).toBeLessThan(300)
  })

  it('a transfer coding that nobody takes off (RFC 9112 §6.1)', async () => {
    const client = await openRaw({ port: test.app.officePort })
    client.send(
      `POST /api/v1/packages?model=sill-cam&version=8.0.0&fileName=a.bin HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys.integrator}\r\nTransfer-Encoding: gzip, chunked\r\n\r\n3\r\nabc\r\n0\r\n\r\n`,
    )
    expect((await client.response()).status).toBe(415)
    client.destroy()
  })
})

it.each([
  '/d/abcdefghjkmnpqrs/a.bin',
  '/D/ABCDEFGHJKMNPQRS/a.bin',
  '/%64/abcdefghjkmnpqrs/a.bin',
  '/d/%61bcdefghjkmnpqrs/a.bin',
  'http://x//d/abcdefghjkmnpqrs/a.bin?x',
])('no spelling of a link brings its token into the log: %s', (address) => {
  let line = ''
  const sink = new Writable({
    write: (piece, _encoding, done) => {
      line += piece
      done()
    },
  })
  createLogger('info', sink).info({ path: address }, `answered ${address}`)
  expect(line).toContain('answered')
  expect(line.toLowerCase()).not.toContain('bcdefghjkmnpqrs')
})
