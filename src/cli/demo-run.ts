// Plays the scenario: what an operator does with the API, what a fleet platform carries, what cameras answer.
import { createHash } from 'node:crypto'
import { createWriteStream } from 'node:fs'
import { mkdir, readFile } from 'node:fs/promises'
import path from 'node:path'
import { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import { setTimeout as wait } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { exportLines } from '../audit/export-lines.js'
import { verifyExport } from '../audit/verify.js'
import { type Camera, createCamera } from '../camera/camera.js'
import { demoFirmware } from '../camera/firmware-image.js'
import { createFleetPlatform, type FleetPlatform } from '../camera/platform.js'
import { readScenario, type Scenario, type ScenarioUnit } from '../camera/scenario.js'
import { seededRandom } from '../camera/seeded-random.js'
import type { Clock } from '../clock.js'
import type { TaskView } from '../tasks/task-view.js'
import { type ApiClient, ApiError } from './api-client.js'
import { table } from './command.js'

export interface DemoDeps {
  api: ApiClient
  publicUrl: string
  /** A throw-away folder. */
  folder: string
  clock: Clock
  say: (line: string) => void
  /** Ends the run where it is. */
  signal: AbortSignal
}

export interface DemoResult {
  units: number
  asExpected: number
  /** A copy link to play with, and what its file must hash to. */
  copyUrl: string
  copySha256: string
}

interface Skip {
  unit: string
  code: string
}
interface Outcome {
  unit: ScenarioUnit
  task: TaskView | null
  skipped: string | null
}

/** Where demo-data lies, seen from src/cli and from dist/src/cli alike: beside package.json. */
async function demoData(): Promise<string> {
  for (let folder = path.dirname(fileURLToPath(import.meta.url)); ; folder = path.dirname(folder)) {
    const found = await readFile(path.join(folder, 'demo-data', 'scenario.json')).catch(() => null)
    if (found) return path.join(folder, 'demo-data')
    if (folder === path.dirname(folder)) throw new Error('The folder demo-data is missing beside package.json.')
  }
}

/** Between two looks at the tasks. */
const LOOK_MS = 400
const EXPECTED_MARGIN_SECONDS = 45

export async function runScenario(deps: DemoDeps): Promise<DemoResult> {
  const { api, say } = deps
  const data = await demoData()
  const scenario = await readScenario(path.join(data, 'scenario.json'))
  say(scenario.title)
  const packages = await addPackages(deps, { data, scenario })
  const unitIds = await addUnits(api, scenario)
  const cameras = await startCameras(deps, scenario)
  const platform = await startPlatform(deps, { scenario, cameras })
  try {
    await platform.pollOnce()
    const outcomes = await issueAll(deps, { scenario, packages, unitIds })
    await sendCommands(deps, outcomes, platform)
    platform.start()
    await watchTasks(deps, outcomes, scenario.times.wholeRunSeconds + EXPECTED_MARGIN_SECONDS)
    const asExpected = await report(deps, outcomes, cameras)
    const [first] = [...packages.values()]
    const copy = await api.send<{ url: string }>('POST', '/links', { package: first!.id, kind: 'copy' })
    return { units: outcomes.length, asExpected, copyUrl: copy.url, copySha256: first!.sha256 }
  } finally {
    await platform.stop()
    await Promise.all(cameras.map((camera) => camera.stop()))
  }
}

type Packages = Map<string, { id: string; version: string; sha256: string }>

async function addPackages(deps: DemoDeps, given: { data: string; scenario: Scenario }): Promise<Packages> {
  const packages: Packages = new Map()
  const folder = path.join(deps.folder, 'images')
  await mkdir(folder, { recursive: true })
  for (const image of given.scenario.images) {
    const profile = JSON.parse(
      await readFile(path.join(given.data, 'models', `${image.model}.json`), 'utf8'),
    ) as unknown
    await deps.api.send('PUT', `/models/${image.model}`, profile)
    const file = path.join(folder, image.fileName)
    await pipeline(Readable.from(demoFirmware(image)), createWriteStream(file))
    const query = new URLSearchParams({ model: image.model, version: image.version, fileName: image.fileName })
    const added = await deps.api.upload<{ id: string; digests: { sha256: string } }>(`/packages?${query}`, file)
    await deps.api.send('POST', `/packages/${added.id}/release`, {})
    packages.set(image.model, { id: added.id, version: image.version, sha256: added.digests.sha256 })
    deps.say(
      `  package ${image.model} ${image.version}: ${image.sizeBytes} bytes, SHA-256 ${added.digests.sha256.slice(0, 16)}…, released`,
    )
  }
  return packages
}

async function addUnits(api: ApiClient, scenario: Scenario): Promise<Map<string, string>> {
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

async function startCameras(deps: DemoDeps, scenario: Scenario): Promise<Camera[]> {
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

async function startPlatform(deps: DemoDeps, given: { scenario: Scenario; cameras: Camera[] }): Promise<FleetPlatform> {
  const key = await deps.api.send<{ secret: string }>('POST', '/keys', { name: 'fleet platform', role: 'check-in' })
  return createFleetPlatform({
    cameras: given.cameras,
    serverUrl: deps.publicUrl,
    key: key.secret,
    pollEveryMs: given.scenario.times.pollEveryMs,
    onTrouble: (detail) => deps.say(`  platform: ${detail}`),
  })
}

/** One call for each model and deadline, as an operator would: units that are on the target are named as skipped. */
async function issueAll(
  deps: DemoDeps,
  given: { scenario: Scenario; packages: Packages; unitIds: Map<string, string> },
): Promise<Outcome[]> {
  const batches = new Map<string, ScenarioUnit[]>()
  for (const unit of given.scenario.units) {
    const name = `${unit.model} ${unit.deadlineSeconds}`
    batches.set(name, [...(batches.get(name) ?? []), unit])
  }
  const outcomes: Outcome[] = []
  for (const units of batches.values()) {
    const { model, deadlineSeconds } = units[0]!
    const deadline =
      deadlineSeconds === null ? undefined : new Date(deps.clock() + deadlineSeconds * 1000).toISOString()
    const issued = await issue(deps.api, {
      units: units.map((unit) => unit.imei),
      package: given.packages.get(model)!.id,
      deadline,
    })
    for (const unit of units) {
      const task = issued.tasks.find((found) => found.imei === unit.imei) ?? null
      const skip = issued.skipped.find((found) => found.unit === given.unitIds.get(unit.imei)) ?? null
      outcomes.push({ unit, task, skipped: skip?.code ?? null })
    }
  }
  return given.scenario.units.map((unit) => outcomes.find((outcome) => outcome.unit === unit)!)
}

async function issue(
  api: ApiClient,
  body: { units: string[]; package: string; deadline: string | undefined },
): Promise<{ tasks: TaskView[]; skipped: Skip[] }> {
  try {
    return await api.send('POST', '/tasks', body)
  } catch (error) {
    if (error instanceof ApiError && error.problem.code === 'nothing-issued') {
      return { tasks: [], skipped: error.problem.skipped as Skip[] }
    }
    throw error
  }
}

/** The operator copies each text over to the platform, and says so: the channel `hand`. */
async function sendCommands(deps: DemoDeps, outcomes: Outcome[], platform: FleetPlatform): Promise<void> {
  const [shown] = outcomes.flatMap(({ task }) => task?.command ?? [])
  if (shown)
    deps.say(`  a command: ${shown.text}  (${shown.encoding}, ${shown.units} units, ${shown.segments} message)`)
  for (const { task, unit } of outcomes) {
    if (!task?.command) continue
    platform.sendText({ to: unit.imei, text: task.command.text })
    await deps.api.send('POST', `/tasks/${task.id}/dispatch`, { channel: 'hand' })
  }
}

function provenBytes({ ledger }: TaskView): number {
  return [...ledger.acknowledged, ...ledger.inferred].reduce((sum, [first, last]) => sum + last - first + 1, 0)
}

async function watchTasks(deps: DemoDeps, outcomes: Outcome[], limitSeconds: number): Promise<void> {
  const startMs = deps.clock()
  const seen = new Map<string, string>()
  while (!deps.signal.aborted && deps.clock() - startMs < limitSeconds * 1000) {
    for (const outcome of outcomes) {
      if (!outcome.task) continue
      outcome.task = await deps.api.get<TaskView>(`/tasks/${outcome.task.id}`)
      const { state, reason, ledger } = outcome.task
      const text = `${state}${reason ? ` (${reason})` : ''}`
      if (seen.get(outcome.unit.imei) === text) continue
      seen.set(outcome.unit.imei, text)
      const seconds = ((deps.clock() - startMs) / 1000).toFixed(1).padStart(5)
      const percent = Math.floor((provenBytes(outcome.task) / ledger.sizeBytes) * 100)
      deps.say(
        `  ${seconds} s  ${outcome.unit.notes.split(',')[0]!.padEnd(16)} ${text.padEnd(24)} ${percent} % ${ledger.grade}`,
      )
    }
    if (outcomes.every(({ task }) => task === null || task.standing.grade === 'closed')) return
    await wait(LOOK_MS)
  }
}

async function report(deps: DemoDeps, outcomes: Outcome[], cameras: Camera[]): Promise<number> {
  const rows = [['unit', 'camera', 'versions', 'outcome', 'as expected']]
  let asExpected = 0
  for (const [index, { unit, task, skipped }] of outcomes.entries()) {
    const state = task?.state ?? (skipped ? 'skipped' : 'nothing')
    const reason = task?.reason ?? skipped
    let ok = state === unit.expected.state && reason === unit.expected.reason
    // What the server says is compared with what lies on the camera's own disk.
    if (ok && state === 'confirmed') ok = await fileIsWhole(deps.api, task!, cameras[index]!)
    if (ok) asExpected += 1
    rows.push([
      unit.notes.split(',')[0]!,
      unit.behaviourName,
      task ? `${task.fromVersion} -> ${task.toVersion}` : unit.version,
      reason ? `${state} (${reason})` : state,
      ok ? 'yes' : `NO, ${unit.expected.state}${unit.expected.reason ? ` (${unit.expected.reason})` : ''} was expected`,
    ])
  }
  deps.say('')
  for (const line of table(rows)) deps.say(line)
  const verified = await verifyExport(exportLines(await deps.api.stream('/audit?format=jsonl')))
  deps.say(`audit log: ${verified.entries} entries, ${verified.ok ? 'intact' : `NOT intact (${verified.fault?.kind})`}`)
  return verified.ok ? asExpected : 0
}

async function fileIsWhole(api: ApiClient, task: TaskView, camera: Camera): Promise<boolean> {
  const pack = await api.get<{ digests: { sha256: string } }>(`/packages/${task.package}`)
  if (!camera.file) return false
  const onDisk = createHash('sha256')
    .update(await readFile(camera.file.path))
    .digest('hex')
  return onDisk === pack.digests.sha256
}
