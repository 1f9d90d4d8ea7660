// What a camera must never install, and what it does not do for any server.
import { afterEach, describe, expect, it } from 'vitest'
import { readText, TEXT_SIGNS_MAX } from '../../src/camera/camera-model.js'
import { fieldOf, fileAnswer, type PlainRequest, type PlainServer, startPlainServer } from './plain-server.js'
import { endCameras, imageBytes, MODEL, NEW, OLD, sha256, startCamera } from './test-camera.js'

const servers: PlainServer[] = []
afterEach(async () => {
  await endCameras()
  for (const server of servers.splice(0)) await server.close()
})

const BYTES = imageBytes({ sizeBytes: 40_000 })
const DAMAGED = Buffer.from(BYTES)
DAMAGED[20_000]! ^= 1
const PAGE = Buffer.from('<!doctype html><title>Data used up</title>')

const whole = (body: Buffer | string, status = '200 OK', field = `Content-Length: ${Buffer.byteLength(body)}`) =>
  function answer({ socket }: PlainRequest): void {
    socket.write(`HTTP/1.1 ${status}\r\n${field}\r\n\r\n`)
    socket.end(body)
  }

async function upgradeFrom(
  answer: (request: PlainRequest) => void,
  told: string,
  model = MODEL,
): Promise<{ camera: Awaited<ReturnType<typeof startCamera>>; server: PlainServer }> {
  const server = await startPlainServer(answer)
  servers.push(server)
  const camera = await startCamera({ model })
  camera.receiveText(`go http://127.0.0.1:${server.port}/d/a/fw.bin${told}`)
  await camera.settled()
  return { camera, server }
}

const SUM = ` sum ${sha256(BYTES)}`
const CASES: [what: string, answer: (request: PlainRequest) => void, told: string, fault: string][] = [
  ['a file with one bit turned', whole(DAMAGED), SUM, 'digest'],
  ['a file whose CRC-32 is another', whole(DAMAGED), ' crc 00000000', 'digest'],
  ['a file of another length than told', whole(BYTES), ' long 39999', 'size'],
  ['a short file that the server calls whole', whole(BYTES.subarray(0, 39_999)), '', 'image'],
  ['an image for another model', whole(imageBytes({ model: 'foreign-cam' })), '', 'image'],
  ['a web page with status 200', whole(PAGE), '', 'image'],
  ['a web page with status 404', whole(PAGE, '404 Not Found'), '', 'answer'],
  ['an image with status 404', whole(BYTES, '404 Not Found'), SUM, 'answer'],
  ['an image with status 206 that nobody asked for', whole(BYTES, '206 Partial Content'), SUM, 'answer'],
  ['an empty body', whole(''), '', 'empty'],
  ['an empty answer 410', whole('', '410 Gone'), SUM, 'answer'],
  [
    'chunks, which it takes for the file (RFC 9112 §7.1)',
    whole(chunked(BYTES), '200 OK', 'Transfer-Encoding: chunked'),
    SUM,
    'digest',
  ],
  ['something that is not HTTP', ({ socket }) => void socket.end('HELLO\r\n\r\n'), SUM, 'answer'],
  ['a head without end', ({ socket }) => void socket.end(`HTTP/1.1 200 OK\r\nX: ${'x'.repeat(20_000)}`), SUM, 'answer'],
]

function chunked(bytes: Buffer): Buffer {
  return Buffer.concat([Buffer.from(`${bytes.length.toString(16)}\r\n`), bytes, Buffer.from('\r\n0\r\n\r\n')])
}

describe('a camera never installs', () => {
  it.each(CASES)('%s', async (_what, answer, told, fault) => {
    const { camera } = await upgradeFrom(answer, told)
    expect(camera.state).toBe('idle')
    expect(camera.file).toBeNull()
    expect(camera.kinds()).not.toContain('installing')
    expect((await camera.queryVersion())?.version).toBe(OLD)
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(`^${fault}: `) })
  })

  it('but does install the same file when it is right: the cases above fail for their reason alone', async () => {
    const { camera } = await upgradeFrom(whole(BYTES), ` long 40000${SUM}`)
    expect((await camera.queryVersion())?.version).toBe(NEW)
  })

  it('a damaged copy at the first try; it fetches once more, and installs the whole one', async () => {
    const answers = [whole(DAMAGED), whole(BYTES)]
    const { camera, server } = await upgradeFrom((request) => answers.shift()?.(request), SUM)
    expect(server.requests).toHaveLength(2)
    expect(camera.kinds()).toContain('fault')
    expect((await camera.queryVersion())?.version).toBe(NEW)
  })
})

describe('a redirect', () => {
  it.each(['301 Moved Permanently', '302 Found', '307 Temporary Redirect'])('%s is not followed', async (status) => {
    const target = await startPlainServer(fileAnswer({ bytes: BYTES }))
    servers.push(target)
    const { camera, server } = await upgradeFrom(
      whole('', status, `Location: http://127.0.0.1:${target.port}/d/a/fw.bin\r\nContent-Length: 0`),
      SUM,
    )
    expect(target.requests).toHaveLength(0)
    expect(server.requests).toHaveLength(1)
    expect((await camera.queryVersion())?.version).toBe(OLD)
  })
})

describe('field names in lower case', () => {
  it('are found by a model that looks in any case: it sees that the file was cut, and asks for the rest', async () => {
    const answer = fileAnswer({ bytes: BYTES, lowerCase: true, cutAfterBytes: [20_000] })
    const { camera, server } = await upgradeFrom(answer, '', { ...MODEL, fieldSearch: 'any-case' })
    expect(server.requests.map((request) => fieldOf(request, 'Range'))).toEqual([null, 'bytes=20000-'])
    expect((await camera.queryVersion())?.version).toBe(NEW)
  })

  it('are not there for one that looks for the exact letters: a clean close half way is its end of the file', async () => {
    const answer = ({ socket }: PlainRequest) => {
      socket.write(`HTTP/1.1 200 OK\r\ncontent-length: ${BYTES.length}\r\n\r\n`)
      socket.end(BYTES.subarray(0, 20_000))
    }
    const { camera, server } = await upgradeFrom(answer, ' long 40000')
    expect(server.requests.every((request) => fieldOf(request, 'Range') === null)).toBe(true)
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^size: /) })
    expect((await camera.queryVersion())?.version).toBe(OLD)
  })
})

describe('taking a download up again', () => {
  const inTurn = (...answers: ((request: PlainRequest) => void)[]) => {
    const left = [...answers]
    return (request: PlainRequest) => left.shift()?.(request)
  }
  const cut = () => fileAnswer({ bytes: BYTES, cutAfterBytes: [20_000] })

  it('is refused where the 206 begins elsewhere (RFC 9110 §15.3.7)', async () => {
    const elsewhere = whole(
      BYTES.subarray(10_000),
      '206 Partial Content',
      `Content-Length: 30000\r\nContent-Range: bytes 10000-39999/40000`,
    )
    const { camera } = await upgradeFrom(inTurn(cut(), elsewhere), SUM)
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^answer: /) })
    expect((await camera.queryVersion())?.version).toBe(OLD)
  })

  it('begins anew where the answer is 200, and does not append it', async () => {
    const { camera } = await upgradeFrom(inTurn(cut(), whole(BYTES)), SUM)
    expect(camera.kinds()).toContain('started-over')
    expect(camera.file?.sizeBytes).toBe(BYTES.length)
  })

  it('joins two files where nothing names a tag, and the digest stops them', async () => {
    const other = fileAnswer({ bytes: imageBytes({ sizeBytes: BYTES.length, seed: 99 }) })
    const { camera } = await upgradeFrom(inTurn(cut(), other, cut(), other), SUM)
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^digest: /) })
    expect((await camera.queryVersion())?.version).toBe(OLD)
  })
})

describe('a body without end', () => {
  it('fills the storage and no more', async () => {
    const answer = ({ socket }: PlainRequest) => {
      socket.write('HTTP/1.1 200 OK\r\n\r\n')
      const more = () => socket.destroyed || socket.write(Buffer.alloc(65_536), () => setImmediate(more))
      more()
    }
    const { camera } = await upgradeFrom(answer, '')
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^too-large: /) })
    expect(camera.file).toBeNull()
  })
})

describe('a text', () => {
  const URL_OK = 'http://example.test/d/a/fw.bin'

  // Right in all but its length: the URL has 97 bytes, the text 169 signs.
  const TOO_LONG = `go http://example.test/${'x'.repeat(70)}/fw.bin sum ${'0'.repeat(64)}`

  it('is read with all that it tells of the file', () => {
    expect(readText(MODEL, `go http://example.test:8080/d/a/fw.bin long 12 crc 0000abcd`)).toEqual({
      address: { host: 'example.test', port: 8080, path: '/d/a/fw.bin' },
      told: { sizeBytes: 12, sha256: null, sha1: null, md5: null, crc32: '0000abcd' },
    })
    expect(readText(MODEL, `go ${URL_OK}`).address.port).toBe(80) // RFC 9110 §4.2.1.
  })

  it('has one SMS part at most', () => {
    expect(TOO_LONG.length).toBeGreaterThan(TEXT_SIGNS_MAX)
    expect(readText(MODEL, TOO_LONG.replace('x'.repeat(9), '')).told.sha256).toBe('0'.repeat(64))
  })

  it.each([
    ['', 'text-unknown'],
    ['hello', 'text-unknown'],
    [`GO ${URL_OK}`, 'text-unknown'],
    [`go ${URL_OK} please`, 'text-unknown'],
    [` go ${URL_OK}`, 'text-unknown'],
    [`go ${URL_OK} sum abc`, 'text-unknown'],
    [TOO_LONG, 'text-unknown'],
    ['go https://example.test/d/a/fw.bin', 'url-refused'],
    ['go ftp://example.test/d/a/fw.bin', 'url-refused'],
    ['go http://example.test', 'url-refused'],
    ['go http://example.test:0/fw.bin', 'url-refused'],
    ['go http://example.test:65536/fw.bin', 'url-refused'],
    ['go http://example.test/d/a/FW.BIN', 'url-refused'],
    ['go http://example.test/d/a/fw.bin?token=1', 'url-refused'],
    [`go http://example.test/${'x'.repeat(90)}/fw.bin`, 'url-refused'],
  ])('%j is refused as %s, and the camera stays idle without one connection', async (text, code) => {
    expect(() => readText(MODEL, text)).toThrow(expect.objectContaining({ code }))
    const camera = await startCamera()
    camera.receiveText(text)
    await camera.settled()
    expect(camera.state).toBe('idle')
    expect(camera.kinds()).toEqual(['text-refused'])
  })
})
