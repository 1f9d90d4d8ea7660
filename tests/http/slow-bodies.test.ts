// A body that never ends: of a bounded one the whole has a time, a stream has to go on. On true sockets, with short times.
import { once } from 'node:events'
import net, { type AddressInfo } from 'node:net'
import { Readable } from 'node:stream'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { z } from 'zod'
import { createHttpApp } from '../../src/http/app.driver.js'
import { limitSlowBodies } from '../../src/http/slow-bodies.js'
import type { ZodApp } from '../../src/http/zod-routes.js'
import { createLogger } from '../../src/logger.js'

const LIMIT_MS = 400
const PIECE = Buffer.alloc(64 * 1024, 'x')
/** More than the sockets of both sides hold. */
const LONG_BYTES = 200 * PIECE.length
function* pieces(count: number) {
  for (let i = 0; i < count; i += 1) yield PIECE
}
const given: { closed: Promise<unknown> | null } = { closed: null }
let app: ZodApp
let port: number
beforeAll(async () => {
  app = await createHttpApp({ log: createLogger('silent'), clock: Date.now })
  limitSlowBodies(app as never, { bodyMs: LIMIT_MS, silenceMs: LIMIT_MS })
  app.post('/json', { schema: { body: z.any() } }, async () => ({ taken: true }))
  app.post('/slow-answer', { schema: { body: z.any() } }, async () => {
    await new Promise((resolve) => setTimeout(resolve, LIMIT_MS * 2))
    return { taken: true }
  })
  app.get('/endless', { schema: {} }, (_request, reply) => {
    const endless = Readable.from(pieces(Infinity), { objectMode: false })
    given.closed = once(endless, 'close')
    return reply.send(endless as never)
  })
  app.get('/long', { schema: {} }, (_request, reply) =>
    reply.send(Readable.from(pieces(LONG_BYTES / PIECE.length), { objectMode: false }) as never),
  )
  await app.register(async (instance) => {
    instance.removeAllContentTypeParsers()
    instance.addContentTypeParser('*', (_request, payload, done) => done(null, payload))
    instance.post('/stream', { bodyLimit: Number.MAX_SAFE_INTEGER }, async (request) => {
      let bytes = 0
      for await (const piece of request.body as Readable) bytes += piece.length
      return { bytes }
    })
  })
  await app.listen({ host: '127.0.0.1', port: 0 })
  port = (app.server.address() as AddressInfo).port
})
afterAll(() => app.close())

const pause = (ms: number) => new Promise((resolve) => setTimeout(resolve, ms))

/** Sends the head, then a piece every `everyMs`; gives what came back until the connection ended. */
async function trickle(given: { path: string; pieces: string[]; everyMs: number; length?: number }): Promise<string> {
  const socket = net.connect(port, '127.0.0.1').on('error', () => undefined)
  await once(socket, 'connect')
  let got = ''
  socket.on('data', (bytes) => {
    got += bytes
  })
  const length = given.length ?? given.pieces.join('').length
  socket.write(
    `POST ${given.path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Type: application/json\r\nContent-Length: ${length}\r\n\r\n`,
  )
  const closed = once(socket, 'close')
  for (const piece of given.pieces) {
    if (socket.destroyed) break
    socket.write(piece)
    await pause(given.everyMs)
  }
  await Promise.race([closed, pause(LIMIT_MS * 10)])
  const isOpen = !socket.destroyed
  socket.destroy()
  return isOpen ? `${got} (open)` : got
}

describe('a JSON body', () => {
  it('that comes in one go is taken, however long its answer takes', async () => {
    expect(await trickle({ path: '/json', pieces: ['{"a":1}'], everyMs: 0 })).toMatch(/^HTTP\/1\.1 200 /)
    expect(await trickle({ path: '/slow-answer', pieces: ['{"a":1}'], everyMs: 0 })).toMatch(/^HTTP\/1\.1 200 /)
  })
  it('that trickles in for ever is answered 408 (RFC 9110 §15.5.9), and the connection ends', async () => {
    const answer = await trickle({ path: '/json', pieces: Array(40).fill(' '), everyMs: 50 })
    expect(answer).toMatch(/^HTTP\/1\.1 408 /)
    expect(answer).toContain('"code":"request-timeout"')
    expect(answer).not.toContain('(open)')
  })
  it('that stops half way is too', async () => {
    const answer = await trickle({ path: '/json', pieces: ['{'], everyMs: 0, length: 900 })
    expect(answer).toMatch(/^HTTP\/1\.1 408 /)
  })
})

describe('a stream of any size', () => {
  it('may take longer than that as long as it goes on', async () => {
    const answer = await trickle({ path: '/stream', pieces: Array(12).fill('0123456789'), everyMs: 100 })
    expect(answer).toContain('"bytes":120')
  })
  it('that stops is cut off', async () => {
    const answer = await trickle({ path: '/stream', pieces: ['0123456789'], everyMs: 0, length: 900 })
    expect(answer).not.toContain('(open)')
    expect(answer).not.toContain('bytes')
  })
})

describe('an answer that nobody reads', () => {
  it('is given up, and what it is made from is let go; one that is read slowly comes whole', async () => {
    const ask = (path: string) => {
      const socket = net.connect(port, '127.0.0.1').on('error', () => undefined)
      socket.write(`GET ${path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n`)
      return socket.pause()
    }
    const stalled = ask('/endless')
    while (given.closed === null) await pause(10)
    await given.closed
    stalled.destroy()

    const slow = ask('/long')
    let bytes = 0
    slow.on('data', (piece) => {
      bytes += piece.length
      slow.pause()
      setTimeout(() => slow.resume(), 5)
    })
    await once(slow.resume(), 'close')
    expect(bytes).toBeGreaterThan(LONG_BYTES)
  })
})
