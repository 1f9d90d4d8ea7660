// Plays the scenario: what an operator does with the API, what a fleet platform carries, what cameras answer.
import path from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { exportLines } from '../audit/export-lines.js'
import { verifyExport } from '../audit/verify.js'
import type { FleetPlatform } from '../camera/platform.js'
import { readScenario, type Scenario, type ScenarioUnit } from '../camera/scenario.js'
import type { TaskView } from '../tasks/task-view.js'
import { type ApiClient, ApiError } from './api-client.js'
import { deviations, type Outcome } from './demo-check.js'
import {
  addPackages,
  addUnits,
  type DemoDeps,
  demoData,
  nameOf,
  type Packages,
  sayUnits,
  startCameras,
  startPlatform,
  wayOf,
} from './demo-fleet.js'
import { doByHand, type HandJob, readBefore } from './demo-hand.js'
import { happened, OUTCOME_HEADINGS, outcomeRow, progressOf } from './demo-story.js'
import { stateOf } from './task-lines.js'

export interface DemoResult {
  outcomes: {
    unit: string
    imei: string
    task: string | null
    behaviour: string
    method: string
    state: string
    reason: string | null
    flags: string[]
    asExpected: boolean
    deviations: string[]
  }[]
  isLogIntact: boolean
  /** A copy link to play with, and what its file must hash to. */
  copyUrl: string
  copySha256: string
}

interface Skip {
  unit: string
  code: string
}

/** Between two looks at the tasks. */
const LOOK_MS = 400
/** More than the time between two polls of the platform. */
const LATE_SECONDS = 1.5

export async function runScenario(deps: DemoDeps): Promise<DemoResult> {
  const { api, signal } = deps
  const data = await demoData()
  const scenario = await readScenario(path.join(data, 'scenario.json'))
  const packages = await addPackages(deps, { data, scenario })
  signal.throwIfAborted()
  const unitIds = await addUnits(api, scenario)
  const cameras = await startCameras(deps, scenario)
  const inReach = cameras.filter((_, index) => scenario.units[index]!.method === 'air')
  const platform = await startPlatform(deps, { scenario, cameras: inReach })
  // Ends what runs beside the rest, when the rest is over or has failed.
  const ended = new AbortController()
  if (signal.aborted) ended.abort()
  signal.addEventListener('abort', () => ended.abort(), { once: true })
  const inner = { ...deps, signal: ended.signal }
  let byHand: Promise<void> = Promise.resolve()
  try {
    await platform.pollOnce()
    const jobs: HandJob[] = scenario.units.flatMap((unit, index) =>
      unit.method === 'air' ? [] : [{ unit, camera: cameras[index]!, task: null }],
    )
    await readBefore(deps, jobs)
    sayUnits(deps, scenario)
    const issued = await issueAll(deps, { scenario, packages, unitIds })
    const outcomes: Outcome[] = issued.map((one, index) => ({ ...one, camera: cameras[index]!, standings: new Set() }))
    for (const job of jobs) job.task = outcomes.find(({ unit }) => unit === job.unit)!.task
    await sendCommands(deps, outcomes, platform)
    platform.start()
    byHand = doByHand(inner, jobs)
    await Promise.race([watchTasks(inner, outcomes, scenario.times.wholeRunSeconds), onlyIfItFails(byHand)])
    return await conclude(deps, { outcomes, packages })
  } finally {
    ended.abort()
    await Promise.all([platform.stop(), ...cameras.map((camera) => camera.stop())])
    await byHand.catch(() => {}) // Where it failed by itself, that was thrown above.
  }
}

const onlyIfItFails = (work: Promise<void>): Promise<never> => work.then(() => new Promise<never>(() => {}))

type Issued = Pick<Outcome, 'unit' | 'name' | 'task' | 'skipped'>

/** One call for each model, method and deadline, as an operator would: units on the target are named as skipped. */
async function issueAll(
  deps: DemoDeps,
  given: { scenario: Scenario; packages: Packages; unitIds: Map<string, string> },
): Promise<Issued[]> {
  const batches = new Map<string, ScenarioUnit[]>()
  for (const unit of given.scenario.units) {
    const name = `${unit.model} ${unit.method} ${unit.deadlineSeconds}`
    batches.set(name, [...(batches.get(name) ?? []), unit])
  }
  const outcomes: Issued[] = []
  for (const units of batches.values()) {
    const { model, method, deadlineSeconds } = units[0]!
    const deadline =
      deadlineSeconds === null ? undefined : new Date(deps.clock() + deadlineSeconds * 1000).toISOString()
    const issued = await issue(deps.api, {
      units: units.map((unit) => unit.imei),
      package: given.packages.get(model)!.id,
      method,
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
  body: { units: string[]; package: string; method: string; deadline: string | undefined },
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
  const byAir = issued.filter(({ unit }) => unit.method === 'air')
  story.chapter(`Tasks: ${issued.length} issued.`)
  for (const { name, skipped } of outcomes) if (skipped) story.line(`${name} is skipped: ${skipped}`)
  story.line(`${issued.length - byAir.length} go to technicians, with a link for their laptop or phone.`)
  story.line(`${byAir.length} go over the air: a text for one camera, with a link of its own.`)
  const shown = new Set<string>()
  for (const { task, unit, name } of byAir) {
    deps.signal.throwIfAborted()
    const command = task!.command!
    if (!shown.has(unit.model)) {
      shown.add(unit.model)
      story.line(`To ${name}, ${command.segments} message, ${command.units} of 160 characters:`)
      story.quote(command.text)
    }
    platform.sendText({ to: unit.imei, text: command.text })
    await deps.api.send('POST', `/tasks/${task!.id}/dispatch`, { channel: 'hand' })
  }
}

async function watchTasks(deps: DemoDeps, outcomes: Outcome[], limitSeconds: number): Promise<void> {
  const { story, signal, api } = deps
  story.chapter('What happens, in seconds since the texts. A real camera takes half an hour.')
  const startMs = deps.clock()
  const seen = new Map<string, string>(outcomes.map(({ name }) => [name, 'queued']))
  const lateFrom = new Map<string, number>()
  while (deps.clock() - startMs < limitSeconds * 1000) {
    const tasks = new Map((await api.all<TaskView>('/tasks')).map((task) => [task.id, task]))
    const seconds = (deps.clock() - startMs) / 1000
    for (const outcome of outcomes) {
      if (!outcome.task) continue
      outcome.task = tasks.get(outcome.task.id) ?? outcome.task
      const { name, task, standings } = outcome
      standings.add(task.standing.grade)
      const isNewlyLate = task.standing.grade === 'late' && isTimeToSay(lateFrom, task, seconds)
      if (seen.get(name) !== stateOf(task) || isNewlyLate) story.line(happened({ seconds, unit: name, task }))
      seen.set(name, stateOf(task))
      if (isNewlyLate) await sayWord(api, outcome)
    }
    const open = outcomes.filter(({ task }) => task !== null && task.standing.grade !== 'closed')
    if (open.length === 0) return
    story.progress(progressOf({ seconds, open: open.length, unit: open[0]!.name, task: open[0]!.task! }))
    await wait(LOOK_MS, undefined, { signal })
  }
}

/** Once for each state of a task, when it has been late for a while: a report that is only on its way is no news. */
function isTimeToSay(lateFrom: Map<string, number>, task: TaskView, seconds: number): boolean {
  const name = `${task.id} ${task.state}`
  const from = lateFrom.get(name) ?? seconds
  const isTime = seconds - from >= LATE_SECONDS
  lateFrom.set(name, isTime ? Number.POSITIVE_INFINITY : from)
  return isTime
}

/** A report that cannot confirm by itself leaves the task late; the operator looks into it and gives their word. */
async function sayWord(api: ApiClient, { unit, task }: Outcome): Promise<void> {
  if (unit.word?.state !== 'confirmed' || task?.state !== 'applied') return
  await api.send('POST', `/tasks/${task.id}/attest`, { state: 'confirmed', note: unit.word.note })
}

async function conclude(deps: DemoDeps, given: { outcomes: Outcome[]; packages: Packages }): Promise<DemoResult> {
  const { story, api } = deps
  story.chapter('Outcome: what the server says, against the file on each camera’s own disk.')
  const rows: string[][] = [OUTCOME_HEADINGS]
  const wrong: string[] = []
  const outcomes: DemoResult['outcomes'] = []
  for (const outcome of given.outcomes) {
    const { unit, name, task, skipped } = outcome
    const found = await deviations(outcome, given.packages.get(unit.model)!.sha256)
    wrong.push(...found.map((what) => `${name}: ${what}.`))
    rows.push(outcomeRow({ name, way: wayOf(unit), task, skipped, asExpected: found.length === 0 }))
    outcomes.push({
      unit: name,
      imei: unit.imei,
      task: task?.id ?? null,
      behaviour: unit.behaviourName,
      method: unit.method,
      state: task?.state ?? (skipped ? 'skipped' : 'nothing'),
      reason: task?.reason ?? skipped,
      flags: task?.flags ?? [],
      asExpected: found.length === 0,
      deviations: found,
    })
  }
  story.rows(rows)
  for (const line of wrong) story.line(`NOT AS EXPECTED  ${line}`)
  const verified = await verifyExport(exportLines(await api.stream('/audit?format=jsonl')))
  story.line('')
  story.line(
    verified.ok
      ? `The audit log was exported and checked: ${verified.entries} entries, intact.`
      : `The audit log was exported and is NOT intact: ${verified.fault?.kind}, line ${verified.fault?.line}.`,
  )
  const pack = [...given.packages.values()][0]!
  const copy = await api.send<{ url: string }>('POST', '/links', { package: pack.id, kind: 'copy' })
  return { outcomes, isLogIntact: verified.ok, copyUrl: copy.url, copySha256: pack.sha256 }
}
