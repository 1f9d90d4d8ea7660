// Where cameras differ: a behaviour is a small strategy that the core asks at a few points of an upgrade.
// A new one is a new object in a file beside this one, and a line in behaviour-list.ts; the core stays as it is.
import type { Address } from './camera-model.js'
import type { CameraFault } from './fault.js'
import type { Answer, Ask, Connection } from './http-client.js'
import type { PartFile } from './part-file.js'
import type { Random } from './seeded-random.js'

export type CameraEventKind =
  | 'text-refused'
  | 'download-started'
  | 'connection-lost'
  | 'connection-dropped'
  | 'started-over'
  | 'stalled'
  | 'paused'
  | 'parked'
  | 'downloaded'
  | 'fault'
  | 'installing'
  | 'restarting'
  | 'running'

/** What the core lends to a download. */
export interface DownloadTools {
  address: Address
  part: PartFile
  /** On a connection of its own. */
  ask(request: Ask): Promise<Answer>
  /** For several requests in a row. */
  connect(): Connection
  /** Ends early, with a throw, when the camera is switched off. */
  wait(ms: number): Promise<void>
  /** Between two tries, roughly. */
  pauseMs: number
  random: Random
  tell(kind: CameraEventKind, detail: string): void
}

/** What a camera says when it is asked for its version. */
export interface VersionAnswer {
  version: string
  /** By the camera's own clock, Unix ms. */
  observedAtMs: number
  /** Lower-case hex of the copy that it holds; null = it does not say. */
  digest: string | null
}

export interface Behaviour {
  name: string
  /** A text has come that could be followed: why it is not; null = it is. */
  onText(): string | null
  /** Brings the file into `part`, or throws a fault. Check and installation follow, done by the core. */
  download(tools: DownloadTools): Promise<void>
  /** After a download or check that failed: when to begin anew, ms; null = never. `tries` counts from 1. */
  retryAfterMs(fault: CameraFault, tries: number): number | null
  /** The copy is whole and waits to be installed; the camera may take its time. */
  beforeInstall(tools: Pick<DownloadTools, 'wait' | 'tell'>): Promise<void>
  /** What runs after an installation and restart. */
  versionAfterRestart(versions: { image: string; before: string }): string
  /** What a version query is answered; null = the camera does not answer. */
  reported(runningVersion: string): string | null
  /** What its clock shows at that moment, both Unix ms. */
  clockShows(nowMs: number): number
  /** Whether it names the digest of each new copy, good or bad, once, one in each answer. */
  saysDigest: boolean
  /** What reaches the platform when the camera has this to say: nothing, this, or more. */
  passOn(answer: VersionAnswer): VersionAnswer[]
}
