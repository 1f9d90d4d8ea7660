// A simulated camera: a text arrives, the file is downloaded, checked, installed, and a version query answered.
// It knows what a camera knows and nothing of any server; how it misbehaves is its Behaviour's affair.
import { setTimeout as waitMs } from 'node:timers/promises'
import type { Behaviour, CameraEventKind, DownloadTools } from './behaviour.js'
import { type CameraModel, readText, type UpgradeOrder } from './camera-model.js'
import { asFault, CameraFault } from './fault.js'
import { ask } from './http-client.js'
import { type CheckedFile, type CheckResult, checkFile, openPartFile, type PartFile } from './part-file.js'
import type { Random } from './seeded-random.js'

export type CameraState = 'idle' | 'downloading' | 'checking' | 'installing' | 'restarting' | 'off'

interface CameraIdentity {
  imei: string
  /** E.164. */
  phone: string
}

export interface CameraEvent {
  atMs: number
  imei: string
  kind: CameraEventKind
  detail: string
}

export interface CameraSetup {
  identity: CameraIdentity
  model: CameraModel
  /** What runs when the camera is switched on. */
  version: string
  behaviour: Behaviour
  storageFolder: string
  /** Unix time, ms. */
  clock: () => number
  installMs: number
  restartMs: number
  /** Between two tries of a download; without it about a second. */
  pauseMs?: number
  random: Random
  onEvent?: (event: CameraEvent) => void
}

export interface Camera {
  identity: CameraIdentity
  /** A text has arrived. What becomes of it shows in events, state and version, as with a camera on a windscreen. */
  receiveText(text: string): void
  /** null = no answer: installing, restarting, switched off, or dead. */
  queryVersion(): Promise<{ version: string; observedAtMs: number } | null>
  readonly state: CameraState
  /** The last file that passed the check. */
  readonly file: CheckedFile | null
  /** Resolves when no upgrade is under way. One that stalls never ends by itself. */
  settled(): Promise<void>
  stop(): Promise<void>
}

const PAUSE_MS = 1_000

export function createCamera(setup: CameraSetup): Camera {
  const { identity, model, behaviour, clock } = setup
  const power = new AbortController()
  let state: CameraState = 'idle'
  let version = setup.version
  let file: CheckedFile | null = null
  let running: Promise<void> = Promise.resolve()

  const tell = (kind: CameraEventKind, detail: string) =>
    setup.onEvent?.({ atMs: clock(), imei: identity.imei, kind, detail })
  const wait = (ms: number) => waitMs(ms, undefined, { signal: power.signal })

  function toolsFor(order: UpgradeOrder, part: PartFile): DownloadTools {
    const { address } = order
    return {
      address,
      part,
      ask: (request) => ask({ ...request, address, fieldSearch: model.fieldSearch, signal: power.signal }),
      wait,
      pauseMs: setup.pauseMs ?? PAUSE_MS,
      random: setup.random,
      tell,
    }
  }

  async function downloadAndCheck(order: UpgradeOrder): Promise<CheckResult> {
    state = 'downloading'
    const part = await openPartFile(setup.storageFolder, model.storageBytesMax)
    try {
      await behaviour.download(toolsFor(order, part))
    } finally {
      await part.close()
    }
    tell('downloaded', `${part.heldBytes} bytes.`)
    state = 'checking'
    return checkFile(part.path, order.told, model.id)
  }

  /** Downloads until the check passes or the behaviour gives up. */
  async function obtain(order: UpgradeOrder): Promise<CheckResult> {
    for (let tries = 1; ; tries += 1) {
      try {
        return await downloadAndCheck(order)
      } catch (error) {
        const fault = asFault(error)
        const pauseMs = power.signal.aborted ? null : behaviour.retryAfterMs(fault, tries)
        if (pauseMs === null) throw fault
        tell('fault', `${fault.code}: ${fault.message} Once more.`)
        await wait(pauseMs)
      }
    }
  }

  async function upgrade(order: UpgradeOrder): Promise<void> {
    file = null // The storage holds one file, and its place is written to from now on.
    tell('download-started', order.address.path.slice(order.address.path.lastIndexOf('/') + 1))
    const checked = await obtain(order)
    file = checked.file
    state = 'installing'
    tell('installing', checked.image.version)
    await wait(setup.installMs)
    state = 'restarting'
    tell('restarting', '')
    await wait(setup.restartMs)
    version = behaviour.versionAfterRestart({ image: checked.image.version, before: version })
    tell('running', version)
  }

  async function follow(text: string): Promise<void> {
    try {
      await upgrade(readText(model, text))
    } catch (error) {
      const fault = asFault(error)
      const refused = fault.code === 'text-unknown' || fault.code === 'url-refused'
      if (fault.code !== 'stopped') tell(refused ? 'text-refused' : 'fault', `${fault.code}: ${fault.message}`)
    } finally {
      state = power.signal.aborted ? 'off' : 'idle'
    }
  }

  return {
    identity,
    receiveText(text) {
      if (state === 'off') return
      if (state === 'idle') {
        state = 'downloading' // At once, so that a second text of the same moment finds the camera busy.
        running = follow(text)
      } else tell('text-refused', new CameraFault('busy', 'An upgrade is under way.').message)
    },
    async queryVersion() {
      if (state === 'installing' || state === 'restarting' || state === 'off') return null
      const reported = behaviour.reported(version)
      return reported === null ? null : { version: reported, observedAtMs: clock() }
    },
    get state() {
      return state
    },
    get file() {
      return file
    },
    settled: () => running,
    async stop() {
      power.abort()
      await running
      state = 'off'
    },
  }
}
