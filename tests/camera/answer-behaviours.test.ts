// Cameras that differ in what they say, against a server that is no part of the product.
import { writeFile } from 'node:fs/promises'
import path from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import {
  answersOutOfOrder,
  claimsTooEarly,
  clockAt1970,
  installsAtIgnition,
  liesAboutVersion,
  neverAnswers,
  refuses,
} from '../../src/camera/answer-behaviours.js'
import type { Behaviour } from '../../src/camera/behaviour.js'
import { fileAnswer, type PlainServer, startPlainServer } from './plain-server.js'
import { endCameras, imageBytes, NEW, OLD, sha256, startCamera, type TestCamera } from './test-camera.js'

const servers: PlainServer[] = []
afterEach(async () => {
  await endCameras()
  for (const server of servers.splice(0)) await server.close()
})

const BYTES = imageBytes()

async function camera(behaviour: Behaviour): Promise<{ camera: TestCamera; server: PlainServer; text: string }> {
  const server = await startPlainServer(fileAnswer({ bytes: BYTES }))
  servers.push(server)
  const text = `go http://127.0.0.1:${server.port}/d/a/fw.bin sum ${sha256(BYTES)}`
  return { camera: await startCamera({ behaviour }), server, text }
}
const versionOf = async (of: TestCamera) => (await of.queryVersion())?.version

describe('a camera that refuses', () => {
  it('asks for nothing, and goes on with its old version', async () => {
    const { camera: unit, server, text } = await camera(refuses())
    unit.receiveText(text)
    await unit.settled()
    expect(unit.kinds()).toEqual(['text-refused'])
    expect(server.requests).toHaveLength(0)
    expect(await versionOf(unit)).toBe(OLD)
  })
})

describe('a camera that never answers', () => {
  it('answers before the text, installs the whole file, and says nothing any more', async () => {
    const { camera: unit, text } = await camera(neverAnswers())
    expect(await versionOf(unit)).toBe(OLD)
    unit.receiveText(text)
    await unit.settled()
    expect(unit.file?.sha256).toBe(sha256(BYTES))
    expect(unit.kinds().at(-1)).toBe('running')
    expect(await unit.queryVersion()).toBeNull()
  })
})

describe('a camera that lies about its version', () => {
  it('tells the truth before the text, and the target from it on, without one request', async () => {
    const { camera: unit, server, text } = await camera(liesAboutVersion({ claims: NEW }))
    expect(await versionOf(unit)).toBe(OLD)
    unit.receiveText(text)
    await unit.settled()
    expect(await versionOf(unit)).toBe(NEW)
    expect(server.requests).toHaveLength(0)
    expect(unit.file).toBeNull()
  })
})

describe('a camera that claims its new version too early', () => {
  it('says it once, though it comes up with the old one, which it says from then on', async () => {
    const { camera: unit, text } = await camera(claimsTooEarly({ claims: NEW }))
    expect(await versionOf(unit)).toBe(OLD)
    unit.receiveText(text)
    await unit.settled()
    expect(unit.file?.sha256).toBe(sha256(BYTES))
    expect([await versionOf(unit), await versionOf(unit), await versionOf(unit)]).toEqual([NEW, OLD, OLD])
  })
})

describe('a camera whose answers come late, twice and out of order', () => {
  it('loses none of them, and each keeps the time at which it was given', async () => {
    const { camera: unit, text } = await camera(answersOutOfOrder({ heldBack: 3 }))
    expect(await unit.answersByAir()).toHaveLength(1) // In good order until the text.
    unit.receiveText(text)
    const got = [await unit.answersByAir(), await unit.answersByAir()]
    await unit.settled()
    got.push(await unit.answersByAir())
    expect(got.map((answers) => answers.length)).toEqual([0, 0, 6])
    const [a, b, c, d, e, f] = got[2]!
    expect([a, c, e]).toEqual([b, d, f])
    expect(a!.observedAtMs).toBeGreaterThan(c!.observedAtMs)
    expect(c!.observedAtMs).toBeGreaterThan(e!.observedAtMs)
    expect([a!.version, c!.version, e!.version]).toEqual([NEW, OLD, OLD])
  })
})

describe('a camera whose clock is at 1970', () => {
  it('dates its answers in that year, later ones later', async () => {
    const { camera: unit } = await camera(clockAt1970())
    const [first, second] = [await unit.queryVersion(), await unit.queryVersion()]
    expect(new Date(first!.observedAtMs).getUTCFullYear()).toBe(1970)
    expect(second!.observedAtMs).toBeGreaterThan(first!.observedAtMs)
  })
})

describe('a camera that installs at the next ignition', () => {
  it('sleeps with the whole file, wakes, says its old version once, and installs then', async () => {
    const { camera: unit, text } = await camera(installsAtIgnition({ parkedMs: 50 }))
    unit.receiveText(text)
    await unit.told('parked')
    expect(unit.file?.sha256).toBe(sha256(BYTES))
    expect(await unit.queryVersion()).toBeNull()
    let answer = null
    while (answer === null) {
      await new Promise((resolve) => setTimeout(resolve, 5))
      expect(unit.kinds()).not.toContain('installing')
      answer = await unit.queryVersion()
    }
    expect(answer.version).toBe(OLD)
    await unit.settled()
    expect(await versionOf(unit)).toBe(NEW)
  })

  it('can be switched off while it sleeps', async () => {
    const { camera: unit, text } = await camera(installsAtIgnition({ parkedMs: 60_000 }))
    unit.receiveText(text)
    await unit.told('parked')
    await unit.stop()
    expect(unit.state).toBe('off')
    expect(unit.kinds()).not.toContain('installing')
  })
})

describe('a file that a person hands over', () => {
  async function handed(name: string, bytes: Buffer, way: 'cable' | 'card' | 'hotspot'): Promise<TestCamera> {
    const { camera: unit } = await camera(refuses()) // Texts it would refuse; this is none.
    const file = path.join(unit.folder, name)
    await writeFile(file, bytes)
    unit.receiveFile({ file, way })
    await unit.settled()
    return unit
  }

  it.each(['cable', 'card', 'hotspot'] as const)('is checked and installed by %s', async (way) => {
    const unit = await handed('given.bin', BYTES, way)
    expect(unit.file?.sha256).toBe(sha256(BYTES))
    expect(unit.kinds()).toEqual(['download-started', 'downloaded', 'installing', 'restarting', 'running'])
    expect(await versionOf(unit)).toBe(NEW)
    expect(unit.mostHeldBytes).toBe(0) // Nothing of it was downloaded.
  })

  it('is not found on a card under a name that the model does not take', async () => {
    const unit = await handed('GIVEN (1).BIN', BYTES, 'card')
    expect(unit.kinds()).toEqual(['text-refused'])
    expect(await versionOf(unit)).toBe(OLD)
    expect(await versionOf(await handed('GIVEN (1).BIN', BYTES, 'cable'))).toBe(NEW) // By cable no name matters.
  })

  it.each([
    ['for another model', imageBytes({ model: 'foreign-cam' })],
    ['cut short', BYTES.subarray(0, 200_000)],
    ['that is no image', Buffer.from('hello')],
  ])('is not installed where it is one %s', async (_what, bytes) => {
    const unit = await handed('given.bin', bytes, 'cable')
    expect(unit.events.at(-1)).toMatchObject({ kind: 'fault', detail: expect.stringMatching(/^image: /) })
    expect(await versionOf(unit)).toBe(OLD)
  })
})
