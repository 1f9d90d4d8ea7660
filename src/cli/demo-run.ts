// Plays the scenario: what an operator does with the API, what a fleet platform carries, what cameras answer.
import { createHash } from 'node:crypto'
import { readFile } from 'node:fs/promises'
import path from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { exportLines } from '../audit/export-lines.js'
import { verifyExport } from '../audit/verify.js'
import type { Camera } from '../camera/camera.js'
import type { FleetPlatform } from '../camera/platform.js'
import { readScenario, type Scenario, type ScenarioUnit } from '../camera/scenario.js'
import type { TaskView } from '../tasks/task-view.js'
import { type ApiClient, ApiError } from './api-client.js'
import {
  addPackages,
  addUnits,
  type DemoDeps,
  demoData,
  nameOf,
  type Pack,
  type Packages,
  sayUnits,
  startCameras,
  startPlatform,
} from './demo-fleet.js'
import { happened, meaningOf } from './demo-story.js'
import { percentOf, stateOf } from './task-lines.js'

export interface DemoResult {
  outcomes: { unit: string; imei: string; state: string; reason: string | null; asExpected: boolean }[]
  isLogIntact: boolean
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
  name: string
  task: TaskView | null
  skipped: string | null
}

/** Between two looks at the tasks. */
const LOOK_MS = 400
const EXPECTED_MARGIN_SECONDS = 45

export async function runScenario(deps: DemoDeps): Promise<DemoResult> {
  const { api, signal } = deps
  const data = await demoData()
  const scenario = await readScenario(path.join(data, 'scenario.json'))
  const packages = await addPackages(deps, { data, scenario })
  signal.throwIfAborted()
  const unitIds = await addUnits(api, scenario)
  const cameras = await startCameras(deps, scenario)
  const platform = await startPlatform(deps, { scenario, cameras })
  try {
    await platform.pollOnce()
    sayUnits(deps, scenario)
    const outcomes = await issueAll(deps, { scenario, packages, unitIds })
    await sendCommands(deps, outcomes, platform)
    platform.start()
    await watchTasks(deps, outcomes, scenario.times.wholeRunSeconds + EXPECTED_MARGIN_SECONDS)
    return await conclude(deps, { outcomes, cameras, pack: [...packages.values()][0]! })
  } finally {
    await platform.stop()
    await Promise.all(cameras.map((camera) => camera.stop()))
  }
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
      outcomes.push({ unit, name: nameOf(unit), task, skipped: skip?.code ?? null })
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
  const { story } = deps
  const issued = outcomes.filter(({ task }) => task !== null)
  story.chapter(`Tasks: ${issued.length} issued, each with a link and a text for one camera.`)
  for (const { name, skipped } of outcomes) if (skipped) story.line(`${name} is skipped: ${skipped}`)
  const shown = new Set<string>()
  for (const { task, unit, name } of issued) {
    deps.signal.throwIfAborted()
    const command = task!.command!
    if (!shown.has(unit.model)) {
      shown.add(unit.model)
      story.line(`to ${name}, ${command.segments} message, ${command.units} of 160 characters:`)
      story.line(`  ${command.text}`)
    }
    platform.sendText({ to: unit.imei, text: command.text })
    await deps.api.send('POST', `/tasks/${task!.id}/dispatch`, { channel: 'hand' })
  }
}

async function watchTasks(deps: DemoDeps, outcomes: Outcome[], limitSeconds: number): Promise<void> {
  const { story, signal } = deps
  story.chapter('What happens, in seconds since the texts were sent. A real camera takes half an hour.')
  const startMs = deps.clock()
  const seen = new Map<string, string>(outcomes.map(({ name }) => [name, 'queued']))
  while (deps.clock() - startMs < limitSeconds * 1000) {
    for (const outcome of outcomes) {
      if (!outcome.task) continue
      outcome.task = await deps.api.get<TaskView>(`/tasks/${outcome.task.id}`)
      const { name, task } = outcome
      if (seen.get(name) === stateOf(task)) continue
      seen.set(name, stateOf(task))
      story.line(happened({ seconds: (deps.clock() - startMs) / 1000, unit: name, task }))
    }
    const open = outcomes.filter(({ task }) => task !== null && task.standing.grade !== 'closed')
    if (open.length === 0) return
    const [next] = open
    const seconds = Math.round((deps.clock() - startMs) / 1000)
    story.progress(`${seconds} s, ${open.length} open; ${next!.name}: ${next!.task!.state}, ${meaningOf(next!.task!)}`)
    await wait(LOOK_MS, undefined, { signal })
  }
}

async function conclude(
  deps: DemoDeps,
  given: { outcomes: Outcome[]; cameras: Camera[]; pack: Pack },
): Promise<DemoResult> {
  const { story, api } = deps
  story.chapter('Outcome. Of each confirmed unit the file on the camera’s own disk was hashed and compared.')
  const rows = [['unit', 'camera', 'versions', 'bytes', 'outcome', 'as expected']]
  const outcomes: DemoResult['outcomes'] = []
  for (const [index, { unit, name, task, skipped }] of given.outcomes.entries()) {
    const state = task?.state ?? (skipped ? 'skipped' : 'nothing')
    const reason = task?.reason ?? skipped
    let asExpected = state === unit.expected.state && reason === unit.expected.reason
    // What the server says is compared with what lies on the camera's own disk.
    if (asExpected && state === 'confirmed') asExpected = await fileIsWhole(api, task!, given.cameras[index]!)
    outcomes.push({ unit: name, imei: unit.imei, state, reason, asExpected })
    rows.push([
      name,
      unit.behaviourName,
      task ? `${task.fromVersion} -> ${task.toVersion}` : unit.version,
      task ? `${percentOf(task)} % ${task.ledger.grade}` : '',
      stateOf({ state: state as TaskView['state'], reason }),
      asExpected ? 'yes' : `NO: expected was ${unit.expected.state} (${unit.expected.reason ?? ''})`,
    ])
  }
  story.rows(rows)
  const verified = await verifyExport(exportLines(await api.stream('/audit?format=jsonl')))
  story.line('')
  story.line(
    verified.ok
      ? `The audit log was exported and checked: ${verified.entries} entries, the chain of hashes is intact.`
      : `The audit log was exported and is NOT intact: ${verified.fault?.kind}, line ${verified.fault?.line}.`,
  )
  const copy = await api.send<{ url: string }>('POST', '/links', { package: given.pack.id, kind: 'copy' })
  return { outcomes, isLogIntact: verified.ok, copyUrl: copy.url, copySha256: given.pack.sha256 }
}

async function fileIsWhole(api: ApiClient, task: TaskView, camera: Camera): Promise<boolean> {
  const pack = await api.get<{ digests: { sha256: string } }>(`/packages/${task.package}`)
  if (!camera.file) return false
  const onDisk = createHash('sha256')
    .update(await readFile(camera.file.path))
    .digest('hex')
  return onDisk === pack.digests.sha256
}
