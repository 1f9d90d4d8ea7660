// A camera on a disk of its own, with short times, and what it told while it lived.
import { execFileSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { mkdtemp, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import path from 'node:path'
import type { Behaviour } from '../../src/camera/behaviour.js'
import { healthy } from '../../src/camera/behaviours.js'
import { type Camera, type CameraEvent, type CameraSetup, createCamera } from '../../src/camera/camera.js'
import type { CameraModel } from '../../src/camera/camera-model.js'
import { demoFirmware, type ImageOrder } from '../../src/camera/firmware-image.js'
import { seededRandom } from '../../src/camera/seeded-random.js'

/** A syntax of these tests, with everything a text can name. */
export const MODEL: CameraModel = {
  id: 'test-cam',
  textPattern:
    /^go (?<url>\S+)(?: long (?<sizeBytes>\d+))?(?: sum (?<sha256>[0-9a-f]{64}))?(?: crc (?<crc32>[0-9a-f]{8}))?$/,
  fileNamePattern: /^[a-z0-9.-]+\.bin$/,
  urlBytesMax: 100,
  storageBytesMax: 1_000_000,
  fieldSearch: 'exact-case',
}

export const OLD = '1.0.0'
export const NEW = '2.0.0'

export function imageBytes(order: Partial<ImageOrder> = {}): Buffer {
  return Buffer.concat([...demoFirmware({ model: MODEL.id, version: NEW, sizeBytes: 300_000, seed: 7, ...order })])
}

export const sha256 = (bytes: Buffer): string => createHash('sha256').update(bytes).digest('hex')

/** By the coreutils program, which shares no code with the camera; null where the machine has none. */
export function sha256sum(file: string): string | null {
  try {
    return execFileSync('sha256sum', ['--', file], { encoding: 'utf8' }).slice(0, 64)
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return null
    throw error
  }
}

export interface TestCamera extends Camera {
  /** Its own disk. */
  folder: string
  events: CameraEvent[]
  kinds(): string[]
  /** Resolves with the first event of the kind, past ones included. */
  told(kind: CameraEvent['kind']): Promise<CameraEvent>
}

const alive: { camera: Camera; folder: string }[] = []

/** For afterEach: ends all cameras and clears their disks. */
export async function endCameras(): Promise<void> {
  for (const { camera, folder } of alive.splice(0)) {
    await camera.stop()
    await rm(folder, { recursive: true, force: true })
  }
}

export async function startCamera(setup: Partial<CameraSetup> & { behaviour?: Behaviour } = {}): Promise<TestCamera> {
  const folder = await mkdtemp(path.join(tmpdir(), 'camera-'))
  const events: CameraEvent[] = []
  const waiting: { kind: string; resolve: (event: CameraEvent) => void }[] = []
  let nowMs = Date.UTC(2026, 0, 15)
  const camera = createCamera({
    identity: { imei: '009977010000012', phone: '+441632960001' },
    model: MODEL,
    version: OLD,
    behaviour: healthy(),
    storageFolder: folder,
    clock: () => nowMs++,
    installMs: 1,
    restartMs: 1,
    pauseMs: 1,
    random: seededRandom(1),
    onEvent(event) {
      events.push(event)
      for (const { resolve } of waiting.filter(({ kind }) => kind === event.kind)) resolve(event)
    },
    ...setup,
  })
  alive.push({ camera, folder })
  // The camera's own members are getters: they are passed on, not copied.
  return Object.create(camera, {
    folder: { value: folder },
    events: { value: events },
    kinds: { value: () => events.map(({ kind }) => kind) },
    told: {
      value: (kind: CameraEvent['kind']) => {
        const past = events.find((event) => event.kind === kind)
        return past ? Promise.resolve(past) : new Promise((resolve) => waiting.push({ kind, resolve }))
      },
    },
  }) as TestCamera
}
