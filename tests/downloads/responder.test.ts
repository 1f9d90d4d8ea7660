// The byte server on real sockets, with the kernel's real count: what dumb clients do, and what may be claimed of it.
import { afterEach, describe, expect, it } from 'vitest'
import { BLOCK_BYTES } from '../../src/blobs/digests.js'
import { sizeOf, subtract } from '../../src/downloads/span.js'
import { openRaw } from '../support/raw-http.js'
import {
  type ByteServer,
  fileOf,
  pathOf,
  patternBytes,
  patternFile,
  STORED_AT_MS,
  startByteServer,
  TOKEN,
} from './byte-server.js'

const MIB = 1024 * 1024
const servers: ByteServer[] = []

async function serve(options: Parameters<typeof startByteServer>[0] = {}): Promise<ByteServer> {
  const server = await startByteServer(options)
  servers.push(server)
  return server
}

afterEach(async () => {
  await Promise.all(servers.splice(0).map((server) => server.stop()))
})

const GET = (more = '', version = '1.1', path = pathOf()): string => `GET ${path} HTTP/${version}\r\n${more}\r\n`

/** How long the head of the whole file is: the same for HEAD. */
async function headLength(server: ByteServer): Promise<number> {
  const client = await openRaw(server)
  client.send(`HEAD ${pathOf()} HTTP/1.1\r\n\r\n`)
  return (await client.response({ bodyless: true })).headText.length
}

describe('what a dumb client gets', () => {
  it('the head is, to the byte, in the letter case that clients search for', async () => {
    const server = await serve()
    const file = fileOf(patternBytes(0, 9))
    server.addLink(TOKEN, file, { contentDisposition: true })
    const client = await openRaw(server)
    client.send(GET('Accept-Encoding: gzip\r\nRange: bytes=2-\r\n'))
    const { headText, field, body } = await client.response()
    expect(headText).toBe(
      [
        'HTTP/1.1 206 Partial Content',
        'Content-Length: 8',
        'Content-Type: application/octet-stream',
        'Content-Range: bytes 2-9/10',
        'Accept-Ranges: bytes',
        `ETag: "${file.sha256}"`,
        'Last-Modified: Wed, 01 May 2024 10:00:00 GMT',
        `Repr-Digest: sha-256=:${Buffer.from(file.sha256, 'hex').toString('base64')}:`,
        'Content-Disposition: attachment; filename="CAM-1.bin"',
        'Cache-Control: no-transform, no-store',
        `Date: ${field('Date')}`,
        '',
        '',
      ].join('\r\n'),
    )
    expect(body).toEqual(patternBytes(2, 9))
    expect(STORED_AT_MS).toBe(Date.parse(field('Last-Modified')!))
  })

  it.each([
    ['HTTP/1.0 without Host', `GET ${pathOf()} HTTP/1.0\r\n\r\n`],
    ['HTTP/1.1 without Host', `GET ${pathOf()} HTTP/1.1\r\n\r\n`],
    ['LF alone', `GET ${pathOf()} HTTP/1.1\nHost: x\n\n`],
    ['absolute-form', `GET http://proxy.example:80${pathOf()} HTTP/1.1\r\nHost: proxy.example\r\n\r\n`],
    ['another letter case', `GET /D/${TOKEN.toUpperCase()}/cam-1.BIN HTTP/1.1\r\n\r\n`],
    ['percent-encoded', `GET /d/${TOKEN}/CAM%2D1%2Ebin HTTP/1.1\r\n\r\n`],
    ['Expect on a GET', `GET ${pathOf()} HTTP/1.1\r\nExpect: 100-continue\r\n\r\n`],
    ['a folded field and odd spacing', `GET   ${pathOf()}  HTTP/1.1\r\nUser-Agent :x\r\n  y\r\n\r\n`],
  ])('the file at once: %s', async (_what, request) => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(5000))
    const client = await openRaw(server)
    client.send(request)
    const { status, body } = await client.response()
    expect([status, body.equals(patternBytes(0, 4999))]).toEqual([200, true])
  })

  it('is served over IPv6 too, and its bytes are acknowledged there', async () => {
    const server = await serve({ host: '::1' })
    server.addLink(TOKEN, patternFile(5000))
    const client = await openRaw({ port: server.port, host: '::1' })
    client.send(GET())
    expect((await client.response()).body.length).toBe(5000)
    const recorded = await server.until(TOKEN, ({ acknowledged }) => sizeOf(acknowledged) === 5000)
    expect([...recorded.tries.values()]).toMatchObject([{ remoteAddress: '::1', end: 'complete' }])
  })

  it('an IPv4 client of a dual-stack listener is found in the other table', async () => {
    const server = await serve({ host: '::' })
    server.addLink(TOKEN, patternFile(5000))
    const client = await openRaw(server)
    client.send(GET())
    await client.response()
    const recorded = await server.until(TOKEN, ({ acknowledged }) => sizeOf(acknowledged) === 5000)
    expect([...recorded.tries.values()]).toMatchObject([{ remoteAddress: '127.0.0.1' }])
  })

  it('300 ranges on one connection', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(30_000))
    const client = await openRaw(server)
    const parts: Buffer[] = []
    for (let first = 0; first < 30_000; first += 100) {
      client.send(GET(`Range: bytes=${first}-${first + 99}\r\n`))
      parts.push((await client.response()).body)
    }
    expect(Buffer.concat(parts).equals(patternBytes(0, 29_999))).toBe(true)
    await server.until(TOKEN, ({ acknowledged }) => sizeOf(acknowledged) === 30_000)
  })

  it('pipelined requests are answered in order, and the last one may close', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(3 * MIB))
    const client = await openRaw(server)
    client.send(
      GET('Range: bytes=10-19\r\n') +
        `HEAD ${pathOf()} HTTP/1.1\r\n\r\n` +
        GET() +
        GET('Connection: close\r\n') +
        GET(),
    )
    expect((await client.response()).body).toEqual(patternBytes(10, 19))
    expect((await client.response({ bodyless: true })).field('Content-Length')).toBe(String(3 * MIB))
    expect((await client.response()).body.equals(patternBytes(0, 3 * MIB - 1))).toBe(true)
    const last = await client.response()
    expect([last.body.length, last.field('Connection')]).toEqual([3 * MIB, 'close'])
    expect(await client.closed()).toBe('fin')
  })

  it('a request with a body is answered and then the connection closes: nothing in it becomes a request', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(100))
    const client = await openRaw(server)
    const smuggled = GET()
    client.send(GET(`Content-Length: ${smuggled.length}\r\n`) + smuggled)
    expect((await client.response()).field('Connection')).toBe('close')
    expect(await client.closed()).toBe('fin')
    await expect(client.response()).rejects.toThrow('ended')
    await server.until(TOKEN, ({ tries }) => [...tries.values()].some(({ end }) => end === 'complete'))
    expect(server.recorded(TOKEN).tries.size).toBe(1)
  })

  it('a half-close right after the request stops nothing and proves nothing', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(4 * MIB))
    const client = await openRaw(server)
    client.socket.pause()
    client.send(GET())
    client.halfClose()
    const early = await server.until(TOKEN, ({ sent }) => sizeOf(sent) > 0)
    expect(sizeOf(early.acknowledged)).toBeLessThan(4 * MIB)
    client.socket.resume()
    expect((await client.response()).body.equals(patternBytes(0, 4 * MIB - 1))).toBe(true)
    expect(await client.closed()).toBe('fin')
    await server.until(TOKEN, ({ acknowledged }) => sizeOf(acknowledged) === 4 * MIB)
    expect(server.lastTry(TOKEN)).toMatchObject({ end: 'complete', acknowledgedBytes: 4 * MIB })
  })

  it.each([
    ['an unknown token', '/d/zzzzzzzzzzzzzzzz/CAM-1.bin', 404],
    ['a token of wrong shape', '/d/short/CAM-1.bin', 404],
    ['another file name', `/d/${TOKEN}/other.bin`, 404],
    ['a further segment', `/d/${TOKEN}/CAM-1.bin/`, 404],
  ])('%s is answered empty', async (_what, path, status) => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(100))
    const client = await openRaw(server)
    client.send(GET('', '1.1', path))
    const response = await client.response()
    expect([response.status, response.field('Content-Length'), response.body.length]).toEqual([status, '0', 0])
    expect(server.reports).toEqual([])
  })

  it('noise is answered 400, empty, and the connection closes', async () => {
    const server = await serve()
    for (const noise of ['GET /d/x\r\n\r\n', '\x16\x03\x01', `${'A'.repeat(17_000)}`]) {
      const client = await openRaw(server)
      client.send(noise)
      const { status, body } = await client.response()
      expect([status, body.length, await client.closed()]).toEqual([400, 0, 'fin'])
    }
  })
})

describe('what may be claimed', () => {
  it.each([0, 2, 5])('never more than the far host has taken (client stops reading after %i MiB)', async (readMib) => {
    const server = await serve()
    const sizeBytes = 24 * MIB
    server.addLink(TOKEN, patternFile(sizeBytes))
    const client = await openRaw(server)
    client.socket.pause()
    client.send(GET())
    if (readMib > 0) {
      client.socket.resume()
      await client.received(readMib * MIB)
      client.socket.pause()
    }
    // The kernels' buffers fill: much is sent that has not arrived. Wait until a reading has seen it.
    const { sent, acknowledged } = await server.until(
      TOKEN,
      (recorded) =>
        sizeOf(recorded.acknowledged) > readMib * MIB && sizeOf(recorded.sent) > sizeOf(recorded.acknowledged),
    )
    expect(subtract(acknowledged, sent)).toEqual([])
    const claimed = sizeOf(acknowledged)
    // A reset drops what the server's kernel still held; what the client's kernel has taken can then be drained.
    server.responder.revoke(TOKEN)
    client.socket.resume()
    await client.closed()
    const headBytes = await headLength(server)
    expect(claimed).toBeLessThanOrEqual(client.bytesIn - headBytes)
    expect(client.bytesIn - headBytes).toBeLessThan(sizeOf(server.recorded(TOKEN).sent))
    expect(server.recorded(TOKEN).inferred).toEqual([])
  })

  it('a client that broke off and goes on: the gap is inferred, the rest acknowledged, nothing sent twice', async () => {
    const server = await serve()
    const sizeBytes = 24 * MIB
    const { sha256 } = server.addLink(TOKEN, patternFile(sizeBytes))
    const first = await openRaw(server)
    first.send(GET())
    await first.received(6 * MIB)
    first.socket.pause()
    const held = first.bytesIn - 500 // Its head has some 400 bytes.
    first.reset()
    await server.until(TOKEN, ({ tries }) => [...tries.values()].some(({ end }) => end === 'reset'))
    const second = await openRaw(server)
    second.send(GET(`Range: bytes=${held}-\r\nIf-Range: "${sha256}"\r\nConnection: close\r\n`))
    const { status, body } = await second.response()
    expect([status, body.equals(patternBytes(held, sizeBytes - 1))]).toEqual([206, true])
    const { acknowledged, inferred } = await server.until(
      TOKEN,
      (recorded) => sizeOf(recorded.acknowledged) + sizeOf(recorded.inferred) >= sizeBytes,
    )
    expect(sizeOf(acknowledged)).toBeGreaterThanOrEqual(sizeBytes - held)
    expect(subtract(inferred, [[0, held - 1]])).toEqual([])
  })

  it('behind a proxy only sent is kept', async () => {
    const server = await serve({ behindProxy: true })
    server.addLink(TOKEN, patternFile(5000))
    const client = await openRaw(server)
    client.send(GET('Connection: close\r\n'))
    await client.response()
    expect(await client.closed()).toBe('fin')
    const recorded = await server.until(TOKEN, ({ tries }) => [...tries.values()].some(({ end }) => end === 'complete'))
    expect(recorded).toMatchObject({ sent: [[0, 4999]], acknowledged: [], inferred: [] })
  })

  it('where the kernel cannot be asked, a later request on the connection infers, and nothing is acknowledged', async () => {
    const kernel = { readable: false, read: async () => null, stop: async () => {} }
    const server = await serve({ kernel })
    server.addLink(TOKEN, patternFile(5000))
    const client = await openRaw(server)
    client.send(GET())
    await client.response()
    client.send(GET('Range: bytes=0-0\r\n'))
    await client.response()
    expect(server.recorded(TOKEN).inferred).toEqual([]) // Too early to speak for anything.
    client.send(GET('Range: bytes=0-4998\r\n'))
    await client.response()
    await new Promise((resolve) => setTimeout(resolve, 1050))
    client.send(`HEAD ${pathOf()} HTTP/1.1\r\n\r\n`)
    const { acknowledged, inferred } = await server.until(TOKEN, (recorded) => recorded.inferred.length > 0)
    expect([acknowledged, inferred]).toEqual([[], [[0, 4998]]])
  })

  it('a refused batch is kept and joined, and stopping waits until the record has it', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(5000))
    server.refuse = true
    const client = await openRaw(server)
    client.send(GET('Range: bytes=0-999\r\n'))
    await client.response()
    while (server.warnings.length === 0) await new Promise((resolve) => setTimeout(resolve, 5))
    client.send(GET('Range: bytes=500-\r\n'))
    await client.response()
    expect(server.reports).toEqual([])
    const stopped = server.stop()
    servers.splice(0)
    server.refuse = false
    await stopped
    expect(server.recorded(TOKEN)).toMatchObject({ sent: [[0, 4999]], sentBytes: 5500, duplicateBytes: 500 })
    expect(server.recorded(TOKEN).acknowledged).toEqual([[0, 4999]])
  })
})

describe('ending a link', () => {
  it('revoking resets its open connections at once and leaves others alone; later requests are noted', async () => {
    const server = await serve()
    const other = 'b'.repeat(16)
    const target = server.addLink(TOKEN, patternFile(64 * MIB))
    server.addLink(other, patternFile(9000, 7))
    const client = await openRaw(server)
    client.socket.pause()
    client.send(GET())
    const bystander = await openRaw(server)
    bystander.send(GET('', '1.1', pathOf(other)))
    await bystander.response()
    await server.until(TOKEN, ({ sent }) => sizeOf(sent) > 0)

    target.end = 'revoked'
    server.responder.revoke(TOKEN)
    client.socket.resume()
    await client.closed() // Node shows a paused client an end where others see ECONNRESET; the bytes tell:
    const { sent } = await server.until(TOKEN, ({ tries }) => [...tries.values()].some(({ end }) => end === 'revoked'))
    // what was still on its way in the kernel is dropped by a reset, and would have been delivered by a FIN.
    expect(client.bytesIn).toBeLessThan(sizeOf(sent))

    const late = await openRaw(server)
    late.send(GET(`User-Agent: Mozilla/5.0 (preview) ${'x'.repeat(5000)}\r\n`))
    expect((await late.response()).status).toBe(410)
    await server.until(TOKEN, ({ tries }) => tries.size === 2)
    expect(server.lastTry(TOKEN)).toMatchObject({
      status: 410,
      span: null,
      flags: ['late-trigger-stopped', 'not-like-a-unit'],
    })
    expect(server.lastTry(TOKEN)?.userAgent?.length).toBe(256)
    bystander.send(GET('', '1.1', pathOf(other)))
    expect((await bystander.response()).body.equals(patternBytes(0, 8999, 7))).toBe(true)
  })

  it('a revocation also counts for a request that is being looked up at that moment', async () => {
    const server = await serve({
      links: (find) => async (token) => {
        const live = await find(token)
        server.responder.revoke(TOKEN)
        return live
      },
    })
    server.addLink(TOKEN, patternFile(100))
    const client = await openRaw(server)
    client.send(GET())
    expect((await client.response()).status).toBe(410)
  })

  it('where the record cannot be asked the answer is 503, empty, and nothing is claimed', async () => {
    const server = await serve({ links: () => () => Promise.reject(new Error('busy')) })
    const client = await openRaw(server)
    client.send(GET())
    const { status, body } = await client.response()
    expect([status, body.length, await client.closed()]).toEqual([503, 0, 'fin'])
    expect(server.reports).toEqual([])
  })

  it('the byte budget cuts a running response off and answers 410 from then on', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(300_000), { byteBudgetBytes: 400_000 })
    const client = await openRaw(server)
    client.send(GET())
    expect((await client.response()).status).toBe(200)
    client.send(GET())
    await expect(client.response()).rejects.toThrow('reset')
    const recorded = await server.until(TOKEN, ({ budgetSpent }) => budgetSpent)
    expect(recorded.sentBytes).toBe(400_000)
    expect(server.lastTry(TOKEN)).toMatchObject({ end: 'budget-spent', sentBytes: 100_000 })
    const again = await openRaw(server)
    again.send(GET())
    const { status, body } = await again.response()
    expect([status, body.length]).toEqual([410, 0])
  })

  it.each([
    ['throws', () => Promise.reject(new Error('digest'))],
    ['is short', async () => Buffer.alloc(10)],
  ])('a damaged block (%s) breaks the response off, and not one wrong byte leaves', async (_what, damaged) => {
    const server = await serve({
      blocks: (read) => (sha256, index) => (index === 1 ? damaged() : read(sha256, index)),
    })
    server.addLink(TOKEN, patternFile(3 * MIB))
    const client = await openRaw(server)
    client.send(GET())
    await expect(client.response()).rejects.toThrow('reset')
    expect(client.bytesIn).toBeLessThan(BLOCK_BYTES + 1000)
    await server.until(TOKEN, ({ tries }) => [...tries.values()].some(({ end }) => end === 'damaged'))
    expect(sizeOf(server.recorded(TOKEN).sent)).toBeLessThanOrEqual(BLOCK_BYTES)

    const behind = await openRaw(server)
    behind.send(GET(`Range: bytes=${BLOCK_BYTES}-\r\n`))
    await expect(behind.response()).rejects.toThrow('reset')
    expect(behind.bytesIn).toBe(0) // Not even a status line.
  })

  it('stopping breaks what runs and says so', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(64 * MIB))
    const client = await openRaw(server)
    client.socket.pause()
    client.send(GET())
    await server.until(TOKEN, ({ sent }) => sizeOf(sent) > 0)
    await server.stop()
    servers.splice(0)
    expect(server.lastTry(TOKEN)).toMatchObject({ end: 'stopped' })
  })
})

describe('bounds', () => {
  it('too many connections on one link: 429 with Retry-After, empty; another link is not held up', async () => {
    const server = await serve({ limits: { connectionsPerLinkMax: 2 } })
    const other = 'b'.repeat(16)
    server.addLink(TOKEN, patternFile(100))
    server.addLink(other, patternFile(100))
    const ask = async (token: string) => {
      const client = await openRaw(server)
      client.send(GET('', '1.1', pathOf(token)))
      return client.response()
    }
    expect((await ask(TOKEN)).status).toBe(200)
    expect((await ask(TOKEN)).status).toBe(200)
    const refused = await ask(TOKEN)
    expect([refused.status, refused.field('Retry-After'), refused.body.length]).toEqual([429, '60', 0])
    expect((await ask(other)).status).toBe(200)
  })

  it('a connection on which nothing moves gives way: a unit is not locked out by its own dead ones', async () => {
    const server = await serve({ limits: { connectionsPerLinkMax: 1, staleMs: 50 } })
    server.addLink(TOKEN, patternFile(100))
    const dead = await openRaw(server)
    dead.send(GET())
    await dead.response()
    await server.until(TOKEN, ({ acknowledged }) => sizeOf(acknowledged) === 100)
    await new Promise((resolve) => setTimeout(resolve, 80))
    const fresh = await openRaw(server)
    fresh.send(GET())
    expect((await fresh.response()).status).toBe(200)
    expect(await dead.closed()).toBe('reset')
  })

  it('a head that does not come to its end is dropped, however slowly it trickles', async () => {
    const server = await serve({ limits: { headMs: 150 } })
    const silent = await openRaw(server)
    const slow = await openRaw(server)
    const trickle = setInterval(() => slow.send('G'), 20)
    await Promise.all([silent.closed(), slow.closed()])
    clearInterval(trickle)
  })

  it('an idle connection is closed in good order, but a slow download is not', async () => {
    const server = await serve({ limits: { headMs: 100, idleMs: 100, lingerMs: 100 } })
    server.addLink(TOKEN, patternFile(32 * MIB))
    const idle = await openRaw(server)
    idle.send(GET('Range: bytes=0-9\r\n'))
    await idle.response()
    const paused = await openRaw(server)
    paused.send(GET())
    await paused.received(1000)
    paused.socket.pause()
    expect(await idle.closed()).toBe('fin')
    await new Promise((resolve) => setTimeout(resolve, 300))
    paused.socket.resume()
    expect((await paused.response()).body.length).toBe(32 * MIB)
  })

  it('a flood of pipelined requests is read no further than its bound', async () => {
    const server = await serve({ limits: { pipelinedBytesMax: 1000 } })
    server.addLink(TOKEN, patternFile(20), { byteBudgetBytes: MIB })
    const client = await openRaw(server)
    client.send(GET('Range: bytes=0-1\r\n').repeat(500))
    for (let i = 0; i < 500; i += 1) expect((await client.response()).body.length).toBe(2)
  })

  it('in a full house the longest silent one makes room, and who has a link stays', async () => {
    const server = await serve({ limits: { connectionsMax: 2 } })
    server.addLink(TOKEN, patternFile(20))
    const unit = await openRaw(server)
    unit.send(GET())
    expect((await unit.response()).body.length).toBe(20)
    const silent = await openRaw(server)
    const other = await openRaw(server)
    expect(await silent.closed()).toBe('reset')
    for (const client of [unit, other]) {
      client.send(GET())
      expect((await client.response()).status).toBe(200)
    }
    // Every place is held by somebody with a link: now it is the newcomer who goes.
    const late = openRaw(server).then((client) => client.closed())
    // The reset may come before or after the client has noticed that it was connected.
    expect(await late.catch((error: NodeJS.ErrnoException) => error.code)).toMatch(/^(reset|ECONNRESET)$/)
    unit.send(GET())
    expect((await unit.response()).status).toBe(200)
  })
})

describe('what is not for /d/', () => {
  it('is handed on with every byte, also behind a download on the same connection', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(100))
    const client = await openRaw(server)
    client.send('POST /in/check-ins HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n\r\n')
    expect((await client.response()).body.toString()).toBe('other POST /in/check-ins')
    client.send('GET /again HTTP/1.1\r\nHost: x\r\n\r\n') // The other server keeps the connection.
    expect((await client.response()).body.toString()).toBe('other GET /again')

    const mixed = await openRaw(server)
    mixed.send(`${GET()}GET /healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n`)
    expect((await mixed.response()).body.length).toBe(100)
    expect((await mixed.response()).body.toString()).toBe('other GET /healthz')
    expect(await mixed.closed()).toBe('fin')
    mixed.destroy()
  })

  it('is handed on only when it is known what of the download before it arrived', async () => {
    const server = await serve()
    server.addLink(TOKEN, patternFile(3 * MIB))
    const client = await openRaw(server)
    client.send(`${GET()}POST /in/check-ins HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n\r\n`)
    expect((await client.response()).body.length).toBe(3 * MIB)
    expect((await client.response()).body.toString()).toBe('other POST /in/check-ins')
    const { acknowledged, tries } = await server.until(TOKEN, ({ tries }) => [...tries.values()][0]?.end === 'complete')
    expect(acknowledged).toEqual([[0, 3 * MIB - 1]])
    expect(tries.size).toBe(1)
  })

  it('a client that half-closes right after such a request still gets its answer', async () => {
    const server = await serve()
    const client = await openRaw(server)
    client.send('GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n')
    client.halfClose()
    expect((await client.response()).body.toString()).toBe('other GET /healthz')
  })
})
