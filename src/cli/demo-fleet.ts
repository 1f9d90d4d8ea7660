// What the demo needs before its first task: packages, units, cameras, and the fleet platform that speaks for them.
import { createWriteStream } from 'node:fs'
import { mkdir, readFile } from 'node:fs/promises'
import path from 'node:path'
import { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import { fileURLToPath } from 'node:url'
import { type Camera, createCamera } from '../camera/camera.js'
import { demoFirmware } from '../camera/firmware-image.js'
import { createFleetPlatform, type FleetPlatform } from '../camera/platform.js'
import type { Scenario, ScenarioUnit } from '../camera/scenario.js'
import { seededRandom } from '../camera/seeded-random.js'
import type { Clock } from '../clock.js'
import type { ApiClient } from './api-client.js'
import { grouped } from './command.js'
import type { Story } from './demo-story.js'

export interface DemoDeps {
  api: ApiClient
  publicUrl: string
  /** A throw-away folder. */
  folder: string
  clock: Clock
  story: Story
  /** Ends the run where it is, by an error. */
  signal: AbortSignal
}

export interface Pack {
  id: string
  version: string
  sha256: string
}
export type Packages = Map<string, Pack>

export async function addPackages(deps: DemoDeps, given: { data: string; scenario: Scenario }): Promise<Packages> {
  deps.story.chapter('Packages: each file is hashed while it is stored, and released for tasks.')
  const packages: Packages = new Map()
  const rows: string[][] = []
  const folder = path.join(deps.folder, 'images')
  await mkdir(folder, { recursive: true })
  for (const image of given.scenario.images) {
    const profile = JSON.parse(
      await readFile(path.join(given.data, 'models', `${image.model}.json`), 'utf8'),
    ) as unknown
    await deps.api.send('PUT', `/models/${image.model}`, profile)
    const file = path.join(folder, image.fileName)
    await pipeline(Readable.from(demoFirmware(image)), createWriteStream(file), { signal: deps.signal })
    const query = new URLSearchParams({ model: image.model, version: image.version, fileName: image.fileName })
    const added = await deps.api.upload<{ id: string; digests: { sha256: string } }>(`/packages?${query}`, file)
    await deps.api.send('POST', `/packages/${added.id}/release`, {})
    packages.set(image.model, { id: added.id, version: image.version, sha256: added.digests.sha256 })
    const size = `${grouped(image.sizeBytes).padStart(10)} bytes`
    rows.push([image.model, image.version, size, `SHA-256 ${added.digests.sha256.slice(0, 16)}…`, 'released'])
  }
  deps.story.rows(rows)
  return packages
}

export const nameOf = (unit: ScenarioUnit): string => unit.notes.split(',')[0]!

/** What its camera does, or by what its task is done. */
export const wayOf = (unit: ScenarioUnit): string =>
  unit.method === 'air' ? unit.behaviourName : `by hand: ${unit.method}`

export function sayUnits({ story }: DemoDeps, scenario: Scenario): void {
  story.chapter(`Units: ${scenario.title}`)
  story.line('The fleet platform has asked for their versions. Each camera has its way:')
  story.rows([
    ['unit', 'IMEI', 'model', 'version', 'its way'],
    ...scenario.units.map((unit) => [nameOf(unit), unit.imei, unit.model, unit.version, wayOf(unit)]),
  ])
}

export async function addUnits(api: ApiClient, scenario: Scenario): Promise<Map<string, string>> {
  const ids = new Map<string, string>()
  for (const { imei, phone, model, hardware, notes, groups, timeZone } of scenario.units) {
    const unit = await api.send<{ id: string }>('POST', '/units', {
      imei,
      phone,
      model,
      hardware,
      notes,
      groups,
      timeZone,
    })
    ids.set(imei, unit.id)
  }
  return ids
}

export async function startCameras(deps: DemoDeps, scenario: Scenario): Promise<Camera[]> {
  const cameras: Camera[] = []
  for (const [index, unit] of scenario.units.entries()) {
    const storageFolder = path.join(deps.folder, 'cameras', unit.imei)
    await mkdir(storageFolder, { recursive: true })
    cameras.push(
      createCamera({
        identity: { imei: unit.imei, phone: unit.phone },
        model: scenario.cameraModels.find((model) => model.id === unit.model)!,
        version: unit.version,
        behaviour: unit.behaviour(),
        storageFolder,
        clock: deps.clock,
        installMs: scenario.times.installMs,
        restartMs: scenario.times.restartMs,
        pauseMs: scenario.times.pauseMs,
        random: seededRandom(index + 1),
      }),
    )
  }
  return cameras
}

export async function startPlatform(
  deps: DemoDeps,
  given: { scenario: Scenario; cameras: Camera[] },
): Promise<FleetPlatform> {
  const key = await deps.api.send<{ secret: string }>('POST', '/keys', { name: 'fleet platform', role: 'check-in' })
  return createFleetPlatform({
    cameras: given.cameras,
    serverUrl: deps.publicUrl,
    key: key.secret,
    pollEveryMs: given.scenario.times.pollEveryMs,
    onTrouble: (detail) => deps.story.line(`platform: ${detail}`),
  })
}

/** Where demo-data lies, seen from src/cli and from dist/src/cli alike: beside package.json. */
export async function demoData(): Promise<string> {
  for (let folder = path.dirname(fileURLToPath(import.meta.url)); ; folder = path.dirname(folder)) {
    const found = await readFile(path.join(folder, 'demo-data', 'scenario.json')).catch(() => null)
    if (found) return path.join(folder, 'demo-data')
    if (folder === path.dirname(folder)) throw new Error('The folder demo-data is missing beside package.json.')
  }
}
