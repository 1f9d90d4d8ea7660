// A package through the true server: what is answered is stored, what is refused or broken off leaves nothing.
import { createHash, randomBytes } from 'node:crypto'
import { once } from 'node:events'
import { existsSync, readdirSync, readFileSync } from 'node:fs'
import net from 'node:net'
import path from 'node:path'
import { afterAll, beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp, testProfile, until } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await test.call('PUT', '/models/sill-cam', testProfile())
})
afterAll(() => test.stop())

const incoming = () => readdirSync(path.join(test.dataFolder, 'incoming'))
const stored = () =>
  readdirSync(path.join(test.dataFolder, 'packages')).flatMap((name) =>
    readdirSync(path.join(test.dataFolder, 'packages', name)),
  )
const listed = async () =>
  (await test.call('GET', '/packages?limit=1000')).body.items as { digests: { sha256: string } }[]
const logged = async () => (await test.call('GET', '/audit/head')).body.seq as number
const hash = (algorithm: string, bytes: Uint8Array, encoding: 'hex' | 'base64' = 'hex') =>
  createHash(algorithm).update(bytes).digest(encoding)
let version = 0
const upload = (
  bytes: Uint8Array,
  headers: Record<string, string> = {},
  of: { version?: string; fileName?: string } = {},
) => {
  if (!of.version) version += 1
  const query = `model=sill-cam&version=${of.version ?? `1.0.${version}`}&fileName=${of.fileName ?? 'sill.bin'}`
  return test.call('POST', `/packages?${query}`, bytes, { headers })
}

/** What holds after every refusal: the files on disk are those of the list, and nothing is half there. */
let before: { rows: number; seq: number }
beforeEach(async () => {
  before = { rows: (await listed()).length, seq: await logged() }
})
const expectNothingNew = async () => {
  // Where a connection ended early, its file may only just be made when the client sees the end.
  await until(
    async () => incoming().length,
    (count) => count === 0,
  )
  const rows = await listed()
  expect(rows.length).toBe(before.rows)
  expect(stored().sort()).toEqual([...new Set(rows.map(({ digests }) => digests.sha256))].sort())
  expect(await logged()).toBe(before.seq)
}

describe('an upload', () => {
  it('is stored with its digests; the same again is the same package; other bytes are refused', async () => {
    const bytes = randomBytes(2_500_000)
    const added = await upload(bytes, {}, { version: '7.0.0' })
    expect(added.status).toBe(201)
    expect(added.body).toMatchObject({
      sizeBytes: bytes.length,
      state: 'draft',
      digests: { sha256: hash('sha256', bytes), sha1: hash('sha1', bytes), md5: hash('md5', bytes) },
    })
    const file = path.join(
      test.dataFolder,
      'packages',
      added.body.digests.sha256.slice(0, 2),
      added.body.digests.sha256,
    )
    expect(readFileSync(file).equals(bytes)).toBe(true)

    before = { rows: (await listed()).length, seq: await logged() }
    const again = await upload(bytes, {}, { version: '7.0.0' })
    expect(again.status).toBe(200)
    expect(again.body).toEqual(added.body)
    await expectNothingNew()

    const other = await upload(randomBytes(1000), {}, { version: '7.0.0' })
    expect(other).toMatchObject({ status: 409, body: { code: 'version-taken', existing: added.body.id } })
    await expectNothingNew()
    expect(readFileSync(file).equals(bytes)).toBe(true)
  })

  it('two of the same at once make one package and one file', async () => {
    const bytes = randomBytes(400_000)
    const answers = await Promise.all([1, 2, 3].map(() => upload(bytes, {}, { version: '7.1.0' })))
    expect(answers.map(({ status }) => status).sort()).toEqual([200, 200, 201])
    expect(new Set(answers.map(({ body }) => body.id)).size).toBe(1)
    expect(incoming()).toEqual([])
    expect(
      existsSync(path.join(test.dataFolder, 'packages', hash('sha256', bytes).slice(0, 2), hash('sha256', bytes))),
    ).toBe(true)
  })

  it('the same bytes under two versions: refusing one takes nothing from the other', async () => {
    const bytes = randomBytes(50_000)
    const wrong = { 'repr-digest': `sha-256=:${hash('sha256', Buffer.from('other'), 'base64')}:` }
    const answers = await Promise.all([
      upload(bytes, {}, { version: '7.2.0' }),
      upload(bytes, wrong, { version: '7.2.1' }),
      upload(bytes, wrong, { version: '7.2.2' }),
    ])
    expect(answers.map(({ status }) => status)).toEqual([201, 422, 422])
    expect(stored()).toContain(hash('sha256', bytes))
    expect(incoming()).toEqual([])
  })

  it.each([
    ['an unknown model', 'model=nobody&version=1.0.0&fileName=a.bin', 404, 'model-not-found'],
    ['no version', 'model=sill-cam&version=&fileName=a.bin', 400, 'request-invalid'],
    ['a file name with a way out', 'model=sill-cam&version=9.9.9&fileName=..%2Fa.bin', 400, 'request-invalid'],
  ])('with %s is refused', async (_name, query, status, code) => {
    const answer = await test.call('POST', `/packages?${query}`, randomBytes(200_000))
    expect(answer).toMatchObject({ status, body: { code } })
    await expectNothingNew()
  })

  it('without the right to it is refused', async () => {
    for (const role of ['operator', 'auditor', 'check-in'] as const) {
      const answer = await test.call('POST', '/packages?model=sill-cam&version=9.9.8&fileName=a.bin', randomBytes(10), {
        key: test.keys[role],
      })
      expect(answer.status).toBe(403)
    }
    await expectNothingNew()
  })
})

describe('digest fields', () => {
  // RFC 9530: a dictionary of structured fields, values are byte sequences between colons. sha and md5 are its old names.
  const bytes = randomBytes(70_000)
  const field = (name: string, algorithm: string, from: Uint8Array = bytes) =>
    `${name}=:${hash(algorithm, from, 'base64')}:`
  const other = Buffer.from('other bytes')

  it.each([
    ['repr-digest', field('sha-256', 'sha256')],
    ['content-digest', field('sha-256', 'sha256')],
    ['repr-digest', field('sha-512', 'sha512')],
    ['content-digest', `${field('sha-512', 'sha512')}, ${field('sha-256', 'sha256')}`],
  ])('%s that is right: %s', async (name, value) => {
    expect((await upload(bytes, { [name]: value })).status).toBe(201)
  })

  it.each([
    ['repr-digest', field('sha-256', 'sha256', other)],
    ['content-digest', field('sha-256', 'sha256', other)],
    ['repr-digest', field('sha-512', 'sha512', other)],
    ['repr-digest', `${field('sha-256', 'sha256')}, ${field('sha-512', 'sha512', other)}`],
  ])('%s that is wrong is refused: %s', async (name, value) => {
    expect(await upload(randomBytes(70_001), { [name]: value })).toMatchObject({
      status: 422,
      body: { code: 'digest-mismatch' },
    })
    await expectNothingNew()
  })

  it.each(['sha-256', 'sha-256=abc', 'sha-256=:%%%:', 'sha-256=:AAAA:', '=::'])(
    'one that cannot be read is refused: %s',
    async (value) => {
      expect(await upload(randomBytes(70_002), { 'repr-digest': value })).toMatchObject({
        status: 400,
        body: { code: 'digest-field-invalid' },
      })
      await expectNothingNew()
    },
  )
})

describe('findings', () => {
  it.each([
    ['an empty file', Buffer.alloc(0)],
    ['a page', Buffer.from('<!DOCTYPE html><html><head><title>Sign in</title></head></html>')],
    ['a page behind blanks', Buffer.from('\n\n  <html lang="en"><body>404</body></html>')],
    ['an error in JSON', Buffer.from('{"error":"not found"}')],
  ])('%s saved as firmware is kept as a draft, and not released', async (_name, bytes) => {
    const added = await upload(bytes)
    expect(added.status).toBe(201)
    const errors = added.body.findings.filter((finding: { level: string }) => finding.level === 'error')
    expect(errors.length).toBeGreaterThan(0)
    const released = await test.call('POST', `/packages/${added.body.id}/release`, {})
    expect(released).toMatchObject({ status: 409, body: { code: 'findings-open' } })
    expect((await test.call('GET', `/packages/${added.body.id}`)).body.state).toBe('draft')
  })

  it('none of firmware, which is released', async () => {
    const added = await upload(Buffer.concat([Buffer.from([0x7f, 0x45, 0x4c, 0x46]), randomBytes(5000)]))
    expect(added.body.findings.filter((finding: { level: string }) => finding.level === 'error')).toEqual([])
    expect((await test.call('POST', `/packages/${added.body.id}/release`, {})).body.state).toBe('released')
  })
})

describe('an upload that breaks off', () => {
  const head = (length: number, more = '') =>
    `POST /api/v1/packages?model=sill-cam&version=8.0.0&fileName=a.bin HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys.integrator}\r\nContent-Type: application/octet-stream\r\n${more || `Content-Length: ${length}\r\n`}\r\n`
  const connect = async () => {
    const socket = net.connect(test.app.officePort, '127.0.0.1')
    socket.on('error', () => undefined).resume()
    await once(socket, 'connect')
    return socket
  }
  const halfIn = async (text: string) => {
    const socket = await connect()
    socket.write(text)
    socket.write(randomBytes(1_500_000))
    await until(
      async () => incoming().length,
      (count) => count === 1,
    )
    return socket
  }

  it.each(['reset', 'closed', 'half-closed'])('%s in the middle leaves nothing', async (how) => {
    const socket = await halfIn(head(3_000_000))
    if (how === 'reset') socket.resetAndDestroy()
    else if (how === 'closed') socket.destroy()
    else socket.end()
    await until(
      async () => incoming().length,
      (count) => count === 0,
    )
    await expectNothingNew()
  })

  it('in chunks, one of them malformed, leaves nothing', async () => {
    const socket = await connect()
    socket.write(head(0, 'Transfer-Encoding: chunked\r\n'))
    socket.write(`10000\r\n${'x'.repeat(0x10000)}\r\nzz\r\n`)
    await once(socket, 'close')
    await until(
      async () => incoming().length,
      (count) => count === 0,
    )
    await expectNothingNew()
  })

  it('with fewer bytes than it said, and ended in good order, leaves nothing', async () => {
    const socket = await connect()
    socket.end(Buffer.concat([Buffer.from(head(1000)), randomBytes(999)]))
    await once(socket, 'close')
    await until(
      async () => incoming().length,
      (count) => count === 0,
    )
    await expectNothingNew()
  })

  it('by the stop of the server leaves nothing, and the server stops in bounded time', async () => {
    await halfIn(head(3_000_000))
    const startMs = performance.now()
    await test.restart()
    expect(performance.now() - startMs).toBeLessThan(15_000)
    await expectNothingNew()
  })
})
