// The tasks done by hand, as a technician does them: fetch the file with the copy link, compare its digest, bring it to
// the camera, read the version off it, and read it again after the soak. All through the API that everybody has.
import { createHash } from 'node:crypto'
import { createReadStream, createWriteStream } from 'node:fs'
import { mkdir } from 'node:fs/promises'
import path from 'node:path'
import { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import { setTimeout as wait } from 'node:timers/promises'
import type { Camera } from '../camera/camera.js'
import type { ScenarioUnit } from '../camera/scenario.js'
import type { TaskView } from '../tasks/task-view.js'
import type { ApiClient } from './api-client.js'
import type { DemoDeps } from './demo-fleet.js'

/** What is brought to the camera with, and what the file was fetched with. */
const TOOLS = { air: '', cable: 'laptop', card: 'laptop', hotspot: 'phone' } as const
/** Between two looks at the camera's screen. */
const LOOK_MS = 200
/** Some time more than the soak, so that the second reading surely lies behind it. */
const SOAK_MARGIN_MS = 300

export interface HandJob {
  unit: ScenarioUnit
  camera: Camera
  /** null until it is issued, and where it was skipped. */
  task: TaskView | null
}

/** The version before, read at the bench: nobody else reports it. */
export async function readBefore(deps: DemoDeps, jobs: readonly HandJob[]): Promise<void> {
  for (const { camera } of jobs) await readVersion(deps.api, camera)
}

/** Every job at once, as by several technicians. Ends early, with a throw, when the demo does. */
export async function doByHand(deps: DemoDeps, jobs: readonly HandJob[]): Promise<void> {
  await Promise.all(jobs.map((job) => (job.task === null ? undefined : doJob(deps, job, job.task))))
}

async function doJob(deps: DemoDeps, { unit, camera }: HandJob, task: TaskView): Promise<void> {
  const { api, signal } = deps
  const attest = (body: object) => api.send('POST', `/tasks/${task.id}/attest`, body)
  if (unit.word?.state === 'failed') {
    const { state, reason, note } = unit.word
    await attest({ state, reason, note })
    return
  }
  const tool = TOOLS[unit.method]
  const file = await fetchCopy(deps, { url: task.link!.url, folder: path.join(deps.folder, tool, task.id), tool })
  const sha256 = await digestOf(file)
  const pack = await api.get<{ digests: { sha256: string } }>(`/packages/${task.package}`)
  if (sha256 !== pack.digests.sha256) throw new Error(`The copy on the ${tool} has the SHA-256 ${sha256}.`)
  await attest({ state: 'verified', note: `SHA-256 computed on the ${tool}: ${sha256}` })

  camera.receiveFile({ file, way: unit.method as Exclude<ScenarioUnit['method'], 'air'> })
  await camera.settled()
  await until(async () => readVersion(api, camera), signal)
  const { profile } = await api.get<{ profile: { times: { soakSeconds: number } } }>(`/models/${unit.model}`)
  await wait(profile.times.soakSeconds * 1_000 + SOAK_MARGIN_MS, undefined, { signal })
  await until(async () => readVersion(api, camera), signal)
}

async function fetchCopy(deps: DemoDeps, given: { url: string; folder: string; tool: string }): Promise<string> {
  const response = await fetch(given.url, {
    headers: { 'user-agent': `Mozilla/5.0 (${given.tool} of the demo)` },
    signal: deps.signal,
  })
  if (!response.ok || response.body === null) throw new Error(`The copy link answered ${response.status}.`)
  await mkdir(given.folder, { recursive: true })
  const file = path.join(given.folder, decodeURIComponent(path.posix.basename(new URL(given.url).pathname)))
  await pipeline(Readable.fromWeb(response.body as never), createWriteStream(file), { signal: deps.signal })
  return file
}

async function digestOf(file: string): Promise<string> {
  const hash = createHash('sha256')
  await pipeline(createReadStream(file), hash)
  return hash.digest('hex')
}

/** Reads the version off the camera and types it in; false = the screen is dark. */
async function readVersion(api: ApiClient, camera: Camera): Promise<boolean> {
  const answer = await camera.queryVersion()
  if (answer === null) return false
  await api.send('POST', '/check-ins?source=bench', {
    unit: camera.identity.imei,
    version: answer.version,
    observedAt: new Date(answer.observedAtMs).toISOString(),
  })
  return true
}

/** The demo's own limit ends it, by the signal, where it never comes to be. */
async function until(look: () => Promise<boolean>, signal: AbortSignal): Promise<void> {
  while (!(await look())) await wait(LOOK_MS, undefined, { signal })
}
