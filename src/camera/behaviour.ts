// Where cameras differ: a behaviour is a small strategy that the core asks at a few points of an upgrade.
// A new one is a new object here or in a file beside this one, and a line in behaviours.ts; the core stays as it is.
import type { Address } from './camera-model.js'
import type { CameraFault } from './fault.js'
import type { Answer, Ask } from './http-client.js'
import type { PartFile } from './part-file.js'
import type { Random } from './seeded-random.js'

export type CameraEventKind =
  | 'text-refused'
  | 'download-started'
  | 'connection-lost'
  | 'connection-dropped'
  | 'started-over'
  | 'stalled'
  | 'downloaded'
  | 'fault'
  | 'installing'
  | 'restarting'
  | 'running'

/** What the core lends to a download. */
export interface DownloadTools {
  address: Address
  part: PartFile
  ask(request: Pick<Ask, 'method' | 'httpVersion' | 'fields'>): Promise<Answer>
  /** Ends early, with a throw, when the camera is switched off. */
  wait(ms: number): Promise<void>
  /** Between two tries, roughly. */
  pauseMs: number
  random: Random
  tell(kind: CameraEventKind, detail: string): void
}

export interface Behaviour {
  name: string
  /** Brings the file into `part`, or throws a fault. Check and installation follow, done by the core. */
  download(tools: DownloadTools): Promise<void>
  /** After a download or check that failed: when to begin anew, ms; null = never. `tries` counts from 1. */
  retryAfterMs(fault: CameraFault, tries: number): number | null
  /** What runs after an installation and restart. */
  versionAfterRestart(versions: { image: string; before: string }): string
  /** What a version query is answered; null = the camera does not answer. */
  reported(runningVersion: string): string | null
}
