// Whether a unit ended as the scenario says, and whether what the server says of it shows on the camera's own disk.
import { createHash } from 'node:crypto'
import { createReadStream } from 'node:fs'
import { readFile } from 'node:fs/promises'
import { pipeline } from 'node:stream/promises'
import type { Camera } from '../camera/camera.js'
import type { ScenarioUnit } from '../camera/scenario.js'
import type { TaskView } from '../tasks/task-view.js'
import { claimedBytes } from './task-lines.js'

export interface Outcome {
  unit: ScenarioUnit
  /** What people call it. */
  name: string
  camera: Camera
  task: TaskView | null
  /** Why there is no task. */
  skipped: string | null
  /** Every grade of standing that was seen. */
  standings: Set<string>
}

/** Of links on which nothing can be counted, as on systems without the kernel's table: it is said of the machine. */
const OF_THE_MACHINE = 'not-counted'

/** What is not as expected, in words; empty = all is. */
export async function deviations(outcome: Outcome, packageSha256: string): Promise<string[]> {
  const { unit, task, skipped, standings } = outcome
  const { expected } = unit
  const found: string[] = []
  const state = task?.state ?? (skipped ? 'skipped' : 'nothing')
  const reason = task?.reason ?? skipped
  if (state !== expected.state || reason !== expected.reason) {
    found.push(`it ended ${state} (${reason ?? ''}), expected was ${expected.state} (${expected.reason ?? ''})`)
  }
  if (!task) return found
  const flags = task.flags.filter((flag) => flag !== OF_THE_MACHINE)
  if (flags.join() !== expected.flags.join()) {
    found.push(`its flags are "${flags.join(', ')}", expected were "${expected.flags.join(', ')}"`)
  }
  if (expected.standing !== null && !standings.has(expected.standing)) {
    found.push(`it was never seen standing ${expected.standing}`)
  }
  for (const meaning of expected.afterwards) {
    if (!task.afterwards.some((entry) => entry.meaning === meaning)) found.push(`no "${meaning}" was seen afterwards`)
  }
  found.push(...(await overclaims(outcome.camera, task, packageSha256)))
  return found
}

/** Claims of the server that the camera's disk does not bear out. */
async function overclaims(camera: Camera, task: TaskView, packageSha256: string): Promise<string[]> {
  const found: string[] = []
  const isWhole = camera.file !== null && (await sha256Of(camera.file.path)) === packageSha256
  const isFlaggedAsForeign = task.flags.includes('not-by-this-link')
  const claimsFile = task.moves.some((move) => ['fetched', 'verified', 'applied'].includes(move.state))
  // By hand the copy went to a technician's computer: the camera has it once it runs it.
  const claimed = task.method === 'air' ? claimsFile : task.state === 'confirmed'
  if (claimed && !isFlaggedAsForeign && !isWhole) {
    found.push('the server says that it has the file, and its disk does not hold it')
  }
  if (task.method !== 'air') return found
  const bytes = claimedBytes(task)
  const ahead = camera.file === null ? await receiveBufferBytes() : 0
  if (bytes > camera.mostHeldBytes + ahead) {
    found.push(`${bytes} bytes are claimed, and its disk never held more than ${camera.mostHeldBytes}`)
  }
  if (isFlaggedAsForeign && bytes > 0) found.push(`${bytes} bytes are claimed of a file that it never fetched`)
  return found
}

async function sha256Of(file: string): Promise<string> {
  const hash = createHash('sha256')
  await pipeline(createReadStream(file), hash)
  return hash.digest('hex')
}

/**
 * What is acknowledged has reached the camera's system, not yet its disk: where a download broke off, as much again may
 * have lain in the receive buffer of its socket, which tcp(7) bounds by the third number of tcp_rmem.
 */
async function receiveBufferBytes(): Promise<number> {
  const text = await readFile('/proc/sys/net/ipv4/tcp_rmem', 'latin1').catch(() => '')
  return Number(text.trim().split(/\s+/)[2] ?? Number.POSITIVE_INFINITY)
}
