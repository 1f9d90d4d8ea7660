import { setTimeout as waitMs } from 'node:timers/promises'
import fc from 'fast-check'
import { afterEach, describe, expect, it } from 'vitest'
import { bootsBack, dropsAndResumes, healthy, http10WithoutHost, stallsForGood } from '../../src/camera/behaviours.js'
import { type FileAnswer, fieldOf, fileAnswer, type PlainServer, startPlainServer } from './plain-server.js'
import { endCameras, imageBytes, NEW, OLD, sha256, sha256sum, startCamera, type TestCamera } from './test-camera.js'

const servers: PlainServer[] = []
afterEach(async () => {
  await endCameras()
  for (const server of servers.splice(0)) await server.close()
})

const BYTES = imageBytes()

async function serve(options: Partial<FileAnswer> = {}): Promise<PlainServer> {
  const server = await startPlainServer(fileAnswer({ bytes: BYTES, ...options }))
  servers.push(server)
  return server
}

const textFor = ({ port }: PlainServer, bytes = BYTES) => `go http://127.0.0.1:${port}/d/a/fw.bin sum ${sha256(bytes)}`

/** What a camera has after an upgrade that went well. */
async function expectUpgraded(camera: TestCamera, bytes = BYTES): Promise<void> {
  expect(camera.state).toBe('idle')
  expect((await camera.queryVersion())?.version).toBe(NEW)
  expect(camera.file).toMatchObject({ sizeBytes: bytes.length, sha256: sha256(bytes) })
  expect(sha256sum(camera.file!.path) ?? sha256(bytes)).toBe(sha256(bytes))
}

describe('a healthy camera', () => {
  it('downloads, checks, installs, restarts and reports the version that the file names', async () => {
    const server = await serve()
    const camera = await startCamera()
    expect(await camera.queryVersion()).toEqual({ version: OLD, observedAtMs: expect.any(Number), digest: null })
    camera.receiveText(textFor(server))
    await camera.settled()
    await expectUpgraded(camera)
    expect(camera.kinds()).toEqual(['download-started', 'downloaded', 'installing', 'restarting', 'running'])
    expect(server.requests.map(({ line }) => line)).toEqual(['GET /d/a/fw.bin HTTP/1.1'])
  })

  it('answers no version query while it installs and restarts, and never reports the target before', async () => {
    const server = await serve()
    const camera = await startCamera({ installMs: 60, restartMs: 60 })
    camera.receiveText(textFor(server))
    expect((await camera.queryVersion())?.version).toBe(OLD)
    await camera.told('installing')
    expect(await camera.queryVersion()).toBeNull()
    await camera.told('restarting')
    expect(await camera.queryVersion()).toBeNull()
    await camera.settled()
    await expectUpgraded(camera)
  })

  it('takes the download up where it holds bytes when the network cuts it, without asking for one byte twice', async () => {
    const server = await serve({ cutAfterBytes: [100_000, 0, 50_000] })
    const camera = await startCamera()
    camera.receiveText(textFor(server))
    await camera.settled()
    await expectUpgraded(camera)
    expect(server.requests.map((request) => fieldOf(request, 'Range'))).toEqual([
      null,
      'bytes=100000-',
      'bytes=100000-',
      'bytes=150000-',
    ])
  })

  it('gives up where the server cuts every time before the first byte, and stays as it was', async () => {
    const server = await serve({ cutAfterBytes: Array(50).fill(0) })
    const camera = await startCamera()
    camera.receiveText(textFor(server))
    await camera.settled()
    expect(camera.state).toBe('idle')
    expect(camera.file).toBeNull()
    expect((await camera.queryVersion())?.version).toBe(OLD)
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^connection: /) })
    expect(server.requests.length).toBeLessThan(20)
  })

  it('takes no second text while an upgrade is under way, and takes one afterwards', async () => {
    const server = await serve()
    const camera = await startCamera()
    camera.receiveText(textFor(server))
    camera.receiveText(textFor(server))
    await camera.settled()
    expect(camera.kinds().filter((kind) => kind === 'text-refused')).toHaveLength(1)
    expect(server.requests).toHaveLength(1)
    camera.receiveText(textFor(server))
    await camera.settled()
    expect(server.requests).toHaveLength(2)
  })
})

describe('a camera with HTTP/1.0', () => {
  it('sends no Host and ends as a healthy one', async () => {
    const server = await serve({ cutAfterBytes: [9] })
    const camera = await startCamera({ behaviour: http10WithoutHost() })
    camera.receiveText(textFor(server))
    await camera.settled()
    await expectUpgraded(camera)
    expect(server.requests).toHaveLength(2)
    for (const request of server.requests) {
      expect(request.line).toMatch(/^GET \S+ HTTP\/1\.0$/)
      expect(fieldOf(request, 'Host')).toBeNull()
    }
  })
})

describe('a camera that drops its connection and resumes', () => {
  it.each([
    ['if-range', 'If-Range'],
    ['if-match', 'If-Match'],
  ] as const)('asks for the rest with %s and the tag of the first answer', async (precondition, field) => {
    const server = await serve({ etag: '"tag"' })
    const camera = await startCamera({ behaviour: dropsAndResumes({ dropAtBytes: [200_000, 70_001], precondition }) })
    camera.receiveText(textFor(server))
    await camera.settled()
    await expectUpgraded(camera)
    expect(server.requests.map((request) => [fieldOf(request, 'Range'), fieldOf(request, field)])).toEqual([
      [null, null],
      ['bytes=70001-', '"tag"'],
      ['bytes=200000-', '"tag"'],
    ])
  })

  it('starts over when the file changed meanwhile and If-Range says so (RFC 9110 §13.1.5)', async () => {
    const answers = [
      fileAnswer({ bytes: imageBytes({ seed: 1 }), etag: '"a"' }),
      fileAnswer({ bytes: BYTES, etag: '"b"' }),
    ]
    const server = await startPlainServer((request) => (answers.length > 1 ? answers.shift()! : answers[0]!)(request))
    servers.push(server)
    const behaviour = dropsAndResumes({ dropAtBytes: [70_000], precondition: 'if-range' })
    const camera = await startCamera({ behaviour })
    camera.receiveText(textFor(server))
    await camera.settled()
    await expectUpgraded(camera)
    expect(camera.kinds()).toContain('started-over')
  })

  it('ends without an installation when If-Match is answered 412 (RFC 9110 §13.1.1)', async () => {
    const answers = [fileAnswer({ bytes: BYTES, etag: '"a"' }), fileAnswer({ bytes: BYTES, etag: '"b"' })]
    const server = await startPlainServer((request) => (answers.length > 1 ? answers.shift()! : answers[0]!)(request))
    servers.push(server)
    const behaviour = dropsAndResumes({ dropAtBytes: [70_000], precondition: 'if-match' })
    const camera = await startCamera({ behaviour })
    camera.receiveText(textFor(server))
    await camera.settled()
    expect(camera.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringContaining('412') })
    expect(camera.kinds()).not.toContain('installing')
  })

  it('has the same file at the end, wherever camera and network break', async () => {
    const positions = fc.array(fc.integer({ min: 1, max: BYTES.length - 1 }), { maxLength: 4 })
    const precondition = fc.constantFrom('none' as const, 'if-range' as const, 'if-match' as const)
    await fc.assert(
      fc.asyncProperty(positions, positions, precondition, async (dropAtBytes, cutAfterBytes, precondition) => {
        const server = await serve({ cutAfterBytes })
        const camera = await startCamera({ behaviour: dropsAndResumes({ dropAtBytes, precondition }) })
        camera.receiveText(textFor(server))
        await camera.settled()
        expect(camera.file?.sha256).toBe(sha256(BYTES))
        expect((await camera.queryVersion())?.version).toBe(NEW)
      }),
      { numRuns: 30 },
    )
  })
})

describe('a camera that stalls for good', () => {
  const STALL_AT = 123_457

  it.each([
    [false, OLD],
    [true, undefined],
  ])('with power lost = %s stops at its byte, keeps the socket and never installs', async (powerLost, reported) => {
    const server = await serve()
    const camera = await startCamera({ behaviour: stallsForGood({ stallAtByte: STALL_AT, powerLost }) })
    camera.receiveText(textFor(server))
    expect((await camera.told('stalled')).detail).toContain(String(STALL_AT))
    await waitMs(150)
    expect(camera.state).toBe('downloading')
    expect(camera.file).toBeNull()
    expect((await camera.queryVersion())?.version).toBe(reported)
    expect(camera.kinds()).not.toContain('installing')
    expect(server.requests).toHaveLength(1)
    expect(server.requests[0]!.socket.destroyed).toBe(false)
    await camera.stop()
    expect(camera.state).toBe('off')
    expect(await camera.queryVersion()).toBeNull()
  })
})

describe('a camera that boots back', () => {
  it('holds the whole checked file, installs, and reports the old version', async () => {
    const server = await serve()
    const camera = await startCamera({ behaviour: bootsBack() })
    camera.receiveText(textFor(server))
    await camera.settled()
    expect(sha256sum(camera.file!.path) ?? sha256(BYTES)).toBe(sha256(BYTES))
    expect(camera.kinds()).toEqual(['download-started', 'downloaded', 'installing', 'restarting', 'running'])
    expect((await camera.queryVersion())?.version).toBe(OLD)
  })
})

describe('switching a camera off', () => {
  it('ends an installation under way without the new version, and later texts go nowhere', async () => {
    const server = await serve()
    const camera = await startCamera({ installMs: 60_000, behaviour: healthy() })
    camera.receiveText(textFor(server))
    await camera.told('installing')
    await camera.stop()
    expect(camera.state).toBe('off')
    expect(camera.kinds()).not.toContain('running')
    camera.receiveText(textFor(server))
    expect(server.requests).toHaveLength(1)
  })
})
