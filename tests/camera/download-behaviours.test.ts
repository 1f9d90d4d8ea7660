// Cameras whose download takes its own way, against a server that is no part of the product.
import fc from 'fast-check'
import { afterEach, describe, expect, it } from 'vitest'
import type { Behaviour } from '../../src/camera/behaviour.js'
import {
  downloadsForEver,
  openedInABrowser,
  pausesToErase,
  readsSlowly,
  wrongDigestOnce,
} from '../../src/camera/download-behaviours.js'
import { type FileAnswer, fieldOf, fileAnswer, type PlainServer, startPlainServer } from './plain-server.js'
import { endCameras, imageBytes, NEW, OLD, sha256, sha256sum, startCamera, type TestCamera } from './test-camera.js'

const servers: PlainServer[] = []
afterEach(async () => {
  await endCameras()
  for (const server of servers.splice(0)) await server.close()
})

const BYTES = imageBytes()

async function begin(
  behaviour: Behaviour,
  options: Partial<FileAnswer> = {},
): Promise<{ camera: TestCamera; server: PlainServer }> {
  const server = await startPlainServer(fileAnswer({ bytes: BYTES, ...options }))
  servers.push(server)
  const camera = await startCamera({ behaviour })
  camera.receiveText(`go http://127.0.0.1:${server.port}/d/a/fw.bin sum ${sha256(BYTES)}`)
  return { camera, server }
}

async function expectUpgraded(camera: TestCamera): Promise<void> {
  await camera.settled()
  expect(camera.kinds().at(-1)).toBe('running')
  expect((await camera.queryVersion())?.version).toBe(NEW)
  expect(sha256sum(camera.file!.path) ?? sha256(BYTES)).toBe(sha256(BYTES))
}

describe('a camera that reads slowly', () => {
  it('has the whole file at the end, by one request', async () => {
    const { camera, server } = await begin(readsSlowly({ bytesPerSecond: 5_000_000 }))
    expect((await camera.queryVersion())?.version).toBe(OLD)
    const startMs = performance.now()
    await expectUpgraded(camera)
    expect(performance.now() - startMs).toBeGreaterThan(40) // 300,000 bytes less one piece, at that rate: 47 ms.
    expect(server.requests).toHaveLength(1)
  })
})

describe('a camera that pauses to erase its memory', () => {
  it('stops at each of its bytes, on a connection that stays, and goes on', async () => {
    const { camera, server } = await begin(pausesToErase({ pauseAtBytes: [200_000, 70_001], pauseMs: 30 }))
    await camera.told('paused')
    expect(server.requests[0]!.socket.destroyed).toBe(false)
    await expectUpgraded(camera)
    const paused = camera.events.filter(({ kind }) => kind === 'paused')
    expect(paused.map(({ detail }) => detail)).toEqual(['70001 bytes held.', '200000 bytes held.'])
    expect(server.requests).toHaveLength(1)
  })

  it('has the same file at the end, wherever it pauses and the network breaks', async () => {
    const bytes = fc.array(fc.integer({ min: 1, max: BYTES.length - 1 }), { maxLength: 4 })
    await fc.assert(
      fc.asyncProperty(bytes, bytes, async (pauseAtBytes, cutAfterBytes) => {
        const { camera } = await begin(pausesToErase({ pauseAtBytes, pauseMs: 1 }), { cutAfterBytes })
        await camera.settled()
        expect(camera.file?.sha256).toBe(sha256(BYTES))
        await endCameras()
      }),
      { numRuns: 20 },
    )
  })
})

describe('a camera that downloads for ever', () => {
  it('begins anew from byte 0 each time, never asks for the rest, and never installs', async () => {
    const { camera, server } = await begin(downloadsForEver({ failsAtByte: 50_000 }))
    while (server.requests.length < 5) await new Promise((resolve) => setTimeout(resolve, 5))
    expect(server.requests.every((request) => fieldOf(request, 'Range') === null)).toBe(true)
    expect(camera.mostHeldBytes).toBe(50_000)
    await camera.stop()
    expect(camera.kinds()).not.toContain('downloaded')
    expect(camera.file).toBeNull()
  })

  it('goes on where it is answered nothing, and where nobody listens, until it is switched off', async () => {
    const refusing = await startPlainServer(({ socket }) =>
      socket.end('HTTP/1.1 410 Gone\r\nContent-Length: 0\r\n\r\n'),
    )
    servers.push(refusing)
    const camera = await startCamera({ behaviour: downloadsForEver({ failsAtByte: 50_000 }) })
    camera.receiveText(`go http://127.0.0.1:${refusing.port}/d/a/fw.bin`)
    while (refusing.requests.length < 3) await new Promise((resolve) => setTimeout(resolve, 5))
    await refusing.close()
    const before = camera.events.length
    while (camera.events.length < before + 3) await new Promise((resolve) => setTimeout(resolve, 5))
    expect(camera.state).toBe('downloading')
    await camera.stop()
    expect(camera.state).toBe('off')
  })
})

describe('a camera whose memory spoils the first copy', () => {
  it('says the wrong digest once, fetches again, says the right one once, and installs the good copy', async () => {
    const { camera, server } = await begin(wrongDigestOnce({ retryMs: 60 }))
    await camera.told('fault')
    const wrong = await camera.queryVersion()
    expect(wrong).toMatchObject({ version: OLD, digest: expect.stringMatching(/^[0-9a-f]{64}$/) })
    expect(wrong!.digest).not.toBe(sha256(BYTES))
    expect((await camera.queryVersion())?.digest).toBeNull()
    await camera.settled()
    expect(await camera.queryVersion()).toMatchObject({ version: NEW, digest: sha256(BYTES) })
    expect((await camera.queryVersion())?.digest).toBeNull()
    await expectUpgraded(camera)
    expect(server.requests.map((request) => fieldOf(request, 'Range'))).toEqual([null, null])
  })
})

describe('a camera that is not asked between its two copies', () => {
  it('names both afterwards, the wrong one first', async () => {
    const { camera } = await begin(wrongDigestOnce({ retryMs: 1 }))
    await camera.settled()
    const said = [await camera.queryVersion(), await camera.queryVersion(), await camera.queryVersion()]
    expect(said.map((answer) => answer?.digest)).toEqual([
      expect.not.stringMatching(sha256(BYTES)),
      sha256(BYTES),
      null,
    ])
  })
})

describe('a link that was opened in a browser first', () => {
  it('the browser takes its bytes and leaves; the camera fetches the whole file for itself', async () => {
    const { camera, server } = await begin(openedInABrowser({ browserBytes: 100_000 }))
    await expectUpgraded(camera)
    expect(server.requests.map((request) => fieldOf(request, 'User-Agent'))).toEqual([
      expect.stringMatching(/^Mozilla\/5\.0 /),
      'wintercam/1',
    ])
    expect(server.requests.map((request) => fieldOf(request, 'Range'))).toEqual([null, null])
  })
})
