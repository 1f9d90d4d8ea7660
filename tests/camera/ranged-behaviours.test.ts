// Cameras that ask for parts of a file, against a server that is no part of the product.
import fc from 'fast-check'
import { afterEach, describe, expect, it } from 'vitest'
import type { Behaviour } from '../../src/camera/behaviour.js'
import { headFirst, parallelRanges, smallPieces } from '../../src/camera/ranged-behaviours.js'
import {
  type FileAnswer,
  fieldOf,
  fileAnswer,
  type PlainRequest,
  type PlainServer,
  startPlainServer,
} from './plain-server.js'
import {
  endCameras,
  imageBytes,
  MODEL,
  NEW,
  OLD,
  sha256,
  sha256sum,
  startCamera,
  type TestCamera,
} from './test-camera.js'

const servers: PlainServer[] = []
afterEach(async () => {
  await endCameras()
  for (const server of servers.splice(0)) await server.close()
})

const BYTES = imageBytes()
const FIRST_PART = 65_536

async function upgrade(
  behaviour: Behaviour,
  answer: (request: PlainRequest) => void,
): Promise<{ camera: TestCamera; server: PlainServer }> {
  const server = await startPlainServer(answer)
  servers.push(server)
  const camera = await startCamera({ behaviour })
  camera.receiveText(`go http://127.0.0.1:${server.port}/d/a/fw.bin sum ${sha256(BYTES)}`)
  await camera.settled()
  return { camera, server }
}
const serving = (options: Partial<FileAnswer> = {}) => fileAnswer({ bytes: BYTES, ...options })

async function expectUpgraded(camera: TestCamera): Promise<void> {
  expect(camera.kinds().at(-1)).toBe('running')
  expect((await camera.queryVersion())?.version).toBe(NEW)
  expect(sha256sum(camera.file!.path) ?? sha256(BYTES)).toBe(sha256(BYTES))
}

/** Every byte asked for at least once, as [first, last] in the order of the first bytes. */
const rangesOf = ({ requests }: PlainServer): [number, number][] =>
  requests
    .map((request) => /^bytes=(\d+)-(\d+)$/.exec(fieldOf(request, 'Range')!)!)
    .map(([, first, last]): [number, number] => [Number(first), Number(last)])
    .sort((a, b) => a[0] - b[0])

describe('a camera with several sockets', () => {
  it.each([2, 3, 4, 8])('asks for a first part, then for the rest on %i sockets, no byte twice', async (sockets) => {
    const { camera, server } = await upgrade(parallelRanges({ sockets }), serving())
    await expectUpgraded(camera)
    const ranges = rangesOf(server)
    expect(ranges).toHaveLength(1 + sockets)
    expect(ranges[0]).toEqual([0, FIRST_PART - 1])
    for (const [index, [first]] of ranges.slice(1).entries()) expect(first).toBe(ranges[index]![1] + 1)
    expect(ranges.at(-1)![1]).toBe(BYTES.length - 1)
    expect(new Set(server.requests.map(({ socket }) => socket)).size).toBe(1 + sockets)
  })

  it('has them open at the same time', async () => {
    const waiting: (() => void)[] = []
    const answer = serving()
    const { camera } = await upgrade(parallelRanges({ sockets: 4 }), (request) => {
      if (fieldOf(request, 'Range') === `bytes=0-${FIRST_PART - 1}`) return answer(request)
      waiting.push(() => answer(request)) // Nobody gets anything before all four have asked.
      if (waiting.length === 4) for (const go of waiting) go()
    })
    await expectUpgraded(camera)
  })

  it('is content with a file that is no longer than its first part', async () => {
    const short = imageBytes({ sizeBytes: 1_000 })
    const server = await startPlainServer(fileAnswer({ bytes: short }))
    servers.push(server)
    const camera = await startCamera({ behaviour: parallelRanges({ sockets: 8 }) })
    camera.receiveText(`go http://127.0.0.1:${server.port}/d/a/fw.bin sum ${sha256(short)}`)
    await camera.settled()
    expect(camera.file?.sizeBytes).toBe(1_000)
    expect(server.requests).toHaveLength(1)
  })

  it('takes nothing from a server that sends the whole file instead of the part (RFC 9110 §14.2)', async () => {
    const whole = ({ socket }: PlainRequest) =>
      socket.end(Buffer.concat([Buffer.from(`HTTP/1.1 200 OK\r\nContent-Length: ${BYTES.length}\r\n\r\n`), BYTES]))
    const { camera } = await upgrade(parallelRanges({ sockets: 2 }), whole)
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^answer: /) })
    expect((await camera.queryVersion())?.version).toBe(OLD)
  })

  it('takes no part of another place, and none that is longer than asked for', async () => {
    for (const range of [`bytes 1-${FIRST_PART}/${BYTES.length}`, `bytes 0-${FIRST_PART}/${BYTES.length}`]) {
      const { camera } = await upgrade(parallelRanges({ sockets: 2 }), ({ socket }) =>
        socket.end(`HTTP/1.1 206 Partial Content\r\nContent-Length: 1\r\nContent-Range: ${range}\r\n\r\nx`),
      )
      expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^answer: /) })
    }
  })
})

describe('a camera that takes small pieces', () => {
  it('asks for hundreds of ranges, one after the other, on one connection', async () => {
    const { camera, server } = await upgrade(smallPieces({ pieceBytes: 1_000 }), serving())
    await expectUpgraded(camera)
    expect(rangesOf(server)).toEqual(Array.from({ length: 300 }, (_, index) => [index * 1_000, index * 1_000 + 999]))
    expect(new Set(server.requests.map(({ socket }) => socket)).size).toBe(1)
  })

  it('opens another one where the server closes it after each answer', async () => {
    const answer = serving()
    const { camera, server } = await upgrade(smallPieces({ pieceBytes: 50_000 }), (request) => {
      answer(request)
      request.socket.end()
    })
    await expectUpgraded(camera)
    expect(new Set(server.requests.map(({ socket }) => socket)).size).toBeGreaterThanOrEqual(6)
  })

  it('gives up where nothing comes any more', async () => {
    const { camera, server } = await upgrade(smallPieces({ pieceBytes: 50_000 }), ({ socket }) => socket.destroy())
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^connection: /) })
    expect(server.requests.length).toBeLessThan(20)
  })
})

describe('a camera that asks for the head first', () => {
  it('sends HEAD, then GET, each on a connection of its own', async () => {
    const { camera, server } = await upgrade(headFirst(), serving())
    await expectUpgraded(camera)
    expect(server.requests.map(({ line }) => line.split(' ')[0])).toEqual(['HEAD', 'GET'])
  })

  it.each([
    ['404', 'HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n'],
    ['no length', 'HTTP/1.1 200 OK\r\n\r\n'],
    ['a length in letters that its model does not look for', 'HTTP/1.1 200 OK\r\ncontent-length: 300000\r\n\r\n'],
  ])('does not begin where HEAD is answered with %s', async (_what, head) => {
    const { camera, server } = await upgrade(headFirst(), ({ socket }) => socket.end(head))
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^answer: /) })
    expect(server.requests.map(({ line }) => line.split(' ')[0])).toEqual(['HEAD'])
    expect(MODEL.fieldSearch).toBe('exact-case')
  })
})

describe('wherever the network breaks', () => {
  const kinds: [string, () => Behaviour][] = [
    ['several sockets', () => parallelRanges({ sockets: 4 })],
    ['small pieces', () => smallPieces({ pieceBytes: 40_000 })],
    ['head first', headFirst],
  ]
  it.each(kinds)('%s: the same file at the end', async (_name, make) => {
    const cuts = fc.array(fc.integer({ min: 0, max: 90_000 }), { maxLength: 6 })
    await fc.assert(
      fc.asyncProperty(cuts, async (cutAfterBytes) => {
        const { camera } = await upgrade(make(), serving({ cutAfterBytes }))
        expect(camera.file?.sha256).toBe(sha256(BYTES))
        expect((await camera.queryVersion())?.version).toBe(NEW)
        await endCameras()
      }),
      { numRuns: 20 },
    )
  })
})
