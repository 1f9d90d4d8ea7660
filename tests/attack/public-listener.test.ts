// A hostile client at the public listener, against the true server: it may waste its own time, nobody else's.
import { randomBytes } from 'node:crypto'
import http from 'node:http'
import net from 'node:net'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { lendToHttp } from '../../src/server/http-borrow.driver.js'
import { type RawSocket, rawSocket } from '../server/http-raw.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { openRaw } from '../support/raw-http.js'

const bytes = randomBytes(100_000)
let test: TestApp
let path: string
const open: RawSocket[] = []

async function connect(): Promise<RawSocket> {
  const client = await rawSocket(test.app.publicPort)
  open.push(client)
  return client
}

beforeAll(async () => {
  test = await startTestApp()
  const { packageId } = await prepare(test, { bytes, units: 0 })
  const link = await test.call('POST', '/links', { package: packageId, kind: 'copy' })
  path = new URL(link.body.url).pathname
  return () => {
    for (const client of open) client.socket.destroy()
  }
})
afterAll(() => test.stop())

const HEALTH = 'GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n'
const get = (target: string) => `GET ${target} HTTP/1.1\r\nHost: x\r\n\r\n`

describe('a long row of pipelined requests', () => {
  const ROW = 1000
  it.each([
    ['for links that do not exist', get('/d/2222222222222222/x'), /HTTP\/1\.1 404/g],
    ['for what node:http answers', HEALTH, /HTTP\/1\.1 200/g],
  ])('%s holds up nobody else, and is answered to its end', async (_what, request, status) => {
    const flood = await openRaw({ port: test.app.publicPort })
    let answers = 0
    flood.socket.on('data', (piece: Buffer) => {
      answers += piece.toString('latin1').match(status)?.length ?? 0
    })
    const other = await connect()
    flood.send(request.repeat(ROW))
    await flood.received(1)
    other.send(get(path))
    expect((await other.answer())?.status).toBe(200)
    expect(answers).toBeLessThan(ROW)
    // A status line may be cut in two by a packet.
    while (answers < ROW - 20 && !flood.socket.destroyed) await new Promise((resolve) => setTimeout(resolve, 20))
    expect(answers).toBeGreaterThanOrEqual(ROW - 20)
    flood.destroy()
  })
})

describe('where one request ends and the next begins', () => {
  it('half a head behind a whole request is no new request, whatever its other half looks like', async () => {
    const client = await connect()
    client.send(`${HEALTH}GET /healthz HTTP/1.1\r\nHost: x\r\nX-Half: `)
    expect((await client.answer())?.status).toBe(200)
    client.send(`GET ${path} HTTP/1.1\r\n\r\n`) // RFC 9112 §2.1: the value of a field, not a request line.
    expect((await client.answer())?.body).toBe('{"ok":true}')
  })

  it.each([
    ['GET /', 'd'],
    ['GET /d', ''],
    ['GET', ' /d'],
  ])('a download whose line comes in two parts: %j', async (first, more) => {
    const client = await connect()
    client.send(HEALTH)
    await client.answer()
    client.send(first)
    await new Promise((resolve) => setTimeout(resolve, 50))
    client.send(`${more}${path.slice('/d'.length)} HTTP/1.1\r\nHost: x\r\n\r\n`)
    const answer = await client.answer()
    expect(answer?.status).toBe(200)
    expect(Buffer.from(answer!.body, 'latin1').equals(bytes)).toBe(true)
  })

  it('doubled slashes and percent-encoding name the link also on a connection in use', async () => {
    const client = await connect()
    for (const target of [`/${path}`, path.replace('/d/', '/%64/')]) {
      client.send(HEALTH)
      await client.answer()
      client.send(get(target))
      expect((await client.answer())?.status).toBe(200)
    }
  })

  it('a body that nobody wanted is not read as a download', async () => {
    const client = await connect()
    const hidden = get(path)
    client.send(`POST /nothing HTTP/1.1\r\nHost: x\r\nContent-Length: ${hidden.length}\r\n\r\n`)
    await new Promise((resolve) => setTimeout(resolve, 100))
    client.send(hidden)
    expect((await client.answer())?.status).toBe(404)
    client.send(HEALTH)
    expect((await client.answer())?.status).toBe(200)
  })
})

it('half a head at the borrowed side ends by the time limit of node:http (RFC 9110 §15.5.9)', async () => {
  const server = http.createServer({ headersTimeout: 200, connectionsCheckingInterval: 50 })
  const lend = lendToHttp(server, () => undefined)
  const listener = net.createServer((socket) => lend(socket, Buffer.alloc(0))).listen(0, '127.0.0.1')
  await new Promise((resolve) => listener.once('listening', resolve))
  const client = await openRaw({ port: (listener.address() as net.AddressInfo).port })
  client.send('GET /healthz HTTP/1.1\r\nX: ')
  expect((await client.response()).status).toBe(408)
  await client.closed()
  client.destroy()
  listener.close()
})

it('who still sends when the answer is out and the connection ends gets the answer all the same (RFC 9112 §9.6)', async () => {
  const client = await connect()
  const size = 6 * 1024 * 1024 // Above what a check-in may have.
  client.send(
    `POST /in/check-ins HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys['check-in']}\r\nContent-Type: application/json\r\nContent-Length: ${size}\r\n\r\n`,
  )
  // First all is sent, then it is looked for an answer: so do simple clients.
  client.socket.pause()
  await new Promise((resolve) => client.socket.write(Buffer.alloc(size, 'x'), resolve))
  client.socket.resume()
  expect((await client.answer())?.status).toBe(413)
  client.socket.end()
  await client.ended()
})
