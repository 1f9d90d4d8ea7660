// One connection may mix what the byte server answers and what node:http answers. Bare sockets against the true server.
import { randomBytes } from 'node:crypto'
import http from 'node:http'
import { afterAll, beforeAll, beforeEach, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { type RawSocket, rawSocket } from './http-raw.js'

const bytes = randomBytes(300_000)
let test: TestApp
let path: string
let unit: string
let client: RawSocket
let port: number

beforeAll(async () => {
  test = await startTestApp()
  const { packageId, imeis } = await prepare(test, { bytes })
  unit = imeis[0]!
  const link = await test.call('POST', '/links', { package: packageId, kind: 'copy', byteBudget: 1e9 })
  path = new URL(link.body.url).pathname
  port = test.app.publicPort
})
afterAll(() => test.stop())
beforeEach(async () => {
  client = await rawSocket(port)
  return () => void client.socket.destroy()
})

let count = 0
const body = () => {
  count += 1
  return JSON.stringify({ unit, version: '1.0.0', id: `c${count}` })
}
const report = (content = body(), fields = '') =>
  `POST /in/check-ins HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys['check-in']}\r\nContent-Type: application/json\r\nContent-Length: ${Buffer.byteLength(content)}\r\n${fields}\r\n${content}`
const get = () => `GET ${path} HTTP/1.1\r\nHost: x\r\n\r\n`
const expectAccepted = async () => {
  const answer = await client.answer()
  expect(answer?.status).toBe(200)
  expect(JSON.parse(answer!.body)).toMatchObject({ results: [{ accepted: true, duplicate: false }] })
}
const expectFile = async () => {
  const answer = await client.answer()
  expect(answer?.status).toBe(200)
  expect(Buffer.from(answer!.body, 'latin1').equals(bytes)).toBe(true)
}

describe('one connection for all', () => {
  it('check-in, download, check-in, download, health', async () => {
    for (let round = 0; round < 3; round += 1) {
      client.send(report())
      await expectAccepted()
      client.send(get())
      await expectFile()
    }
    client.send('GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n')
    expect((await client.answer())?.status).toBe(200)
    client.send(get())
    await expectFile()
  })

  it('the same by an agent that keeps one socket', async () => {
    const agent = new http.Agent({ keepAlive: true, maxSockets: 1 })
    const sockets = new Set<unknown>()
    const ask = (method: string, target: string, content?: string): Promise<{ status: number; bytes: Buffer }> =>
      new Promise((resolve, reject) => {
        const headers = { authorization: `Bearer ${test.keys['check-in']}`, 'content-type': 'application/json' }
        const request = http.request({ port, method, path: target, agent, headers }, (response) => {
          const parts: Buffer[] = []
          response.on('data', (part) => parts.push(part))
          response.on('end', () => resolve({ status: response.statusCode!, bytes: Buffer.concat(parts) }))
        })
        request.on('socket', (socket) => sockets.add(socket))
        request.on('error', reject)
        request.end(content)
      })
    for (let round = 0; round < 5; round += 1) {
      expect((await ask('POST', '/in/check-ins', body())).status).toBe(200)
      expect((await ask('GET', path)).bytes.equals(bytes)).toBe(true)
    }
    expect(sockets.size).toBe(1)
    agent.destroy()
  })

  it('a request line that arrives sign by sign is taken as what it is', async () => {
    client.send(report())
    await expectAccepted()
    for (const sign of get()) {
      client.send(sign)
      await new Promise((resolve) => setImmediate(resolve))
    }
    await expectFile()
    for (const sign of report()) {
      client.send(sign)
      if (count % 7 === 0) await new Promise((resolve) => setImmediate(resolve))
    }
    await expectAccepted()
    client.send(get())
    await expectFile()
  })

  it('a download sent before the answer is there goes to a new connection: 421, closed, nothing lost', async () => {
    client.send(report() + get())
    await expectAccepted()
    const refused = await client.answer()
    expect(refused).toMatchObject({ status: 421, body: '' })
    expect(refused?.fields.connection).toBe('close')
    await client.ended()
  })

  it('check-ins sent one behind the other are all answered, in order', async () => {
    const sent = [body(), body(), body()]
    client.send(sent.map((content) => report(content)).join(''))
    for (const _ of sent) await expectAccepted()
    client.send(report(sent[0])) // The same again.
    expect(JSON.parse((await client.answer())!.body).results[0]).toMatchObject({ accepted: true, duplicate: true })
  })

  it('a check-in sent behind a download is answered behind it', async () => {
    client.send(get() + report())
    await expectFile()
    await expectAccepted()
  })
})

describe('a client that ends its side', () => {
  it('right behind the check-in still gets its answer', async () => {
    client.send(report())
    client.socket.end()
    await expectAccepted()
    await client.ended()
  })

  it('in one piece with it', async () => {
    client.socket.end(report())
    await expectAccepted()
    await client.ended()
  })

  it('behind a download and a check-in', async () => {
    client.socket.end(get() + report())
    await expectFile()
    await expectAccepted()
  })

  it('in the middle of a body stores nothing', async () => {
    const content = body()
    const before = (await test.call('GET', `/units/${unit}/versions`)).body
    client.socket.end(report(content).slice(0, -5))
    await client.ended()
    expect((await test.call('GET', `/units/${unit}/versions`)).body).toEqual(before)
  })
})

describe('bodies', () => {
  it('may come slowly', async () => {
    const text = report()
    for (let at = 0; at < text.length; at += 40) {
      client.send(text.slice(at, at + 40))
      await new Promise((resolve) => setTimeout(resolve, 5))
    }
    await expectAccepted()
    client.send(get())
    await expectFile()
  })

  it('that nobody asked for are no requests: what looks like one in them is not answered', async () => {
    // The answer goes out at the head; the body comes behind it and holds a whole request for a download.
    const smuggled = get() + get()
    client.send(`GET /healthz HTTP/1.1\r\nHost: x\r\nContent-Length: ${smuggled.length}\r\n\r\n`)
    expect((await client.answer())?.status).toBe(200)
    client.send(smuggled.slice(0, 20))
    await new Promise((resolve) => setTimeout(resolve, 30))
    client.send(smuggled.slice(20, get().length))
    await new Promise((resolve) => setTimeout(resolve, 30))
    client.send(smuggled.slice(get().length))
    await new Promise((resolve) => setTimeout(resolve, 50))
    expect(client.rest()).toBe('')
    // The next true request is answered, or the connection is closed: both are right, a mix-up is not.
    client.send(report())
    const next = await client.answer()
    if (next) expect(JSON.parse(next.body)).toMatchObject({ results: [{ accepted: true }] })
  })

  it('that are too large are refused, and nothing of them is stored', async () => {
    const items = Array.from({ length: 10_001 }, () => ({ unit, version: '1.0.0' }))
    client.send(report(JSON.stringify(items)))
    expect((await client.answer())?.status).toBe(413)
    const huge = await rawSocket(port)
    huge.send(
      `POST /in/check-ins HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys['check-in']}\r\nContent-Type: application/json\r\nContent-Length: 90000000\r\n\r\n`,
    )
    expect((await huge.answer())?.status).toBe(413)
    huge.socket.destroy()
  })
})

describe('what is no request', () => {
  it.each([
    ['noise', () => randomBytes(4000)],
    ['noise behind a check-in', () => Buffer.concat([Buffer.from(report()), randomBytes(4000)])],
    ['a protocol of another kind', () => Buffer.from('SSH-2.0-x\r\n\r\n\r\n')],
    ['zeros', () => Buffer.alloc(100_000)],
    ['a tunnel', () => Buffer.from('CONNECT a:1 HTTP/1.1\r\nHost: a\r\n\r\n')],
    [
      'an upgrade',
      () => Buffer.from('GET /healthz HTTP/1.1\r\nHost: a\r\nConnection: upgrade\r\nUpgrade: h2c\r\n\r\n'),
    ],
    [
      'two lengths',
      () =>
        Buffer.from(
          'POST /in/check-ins HTTP/1.1\r\nHost: a\r\nContent-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n',
        ),
    ],
    [
      'a bad chunk',
      () => Buffer.from('POST /in/check-ins HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n\r\n'),
    ],
  ])('%s harms nobody', async (_name, make) => {
    client.send(make())
    client.socket.end()
    await client.ended()
    const other = await rawSocket(port)
    other.send(get())
    expect((await other.answer())?.status).toBe(200)
    other.socket.destroy()
  })

  it('many at once, broken off at any place, leave a server that answers', async () => {
    await Promise.all(
      Array.from({ length: 200 }, async (_, n) => {
        const one = await rawSocket(port)
        const text = n % 2 ? report() : get()
        one.send(text.slice(0, 1 + ((n * 37) % text.length)))
        await new Promise((resolve) => setTimeout(resolve, n % 20))
        if (n % 3) one.socket.resetAndDestroy()
        else one.socket.destroy()
      }),
    )
    client.send(report())
    await expectAccepted()
    client.send(get())
    await expectFile()
  })

  it('an idle connection stays usable', async () => {
    client.send(report())
    await expectAccepted()
    await new Promise((resolve) => setTimeout(resolve, 1500))
    client.send(get())
    await expectFile()
    await new Promise((resolve) => setTimeout(resolve, 1500))
    client.send(report())
    await expectAccepted()
  })
})
