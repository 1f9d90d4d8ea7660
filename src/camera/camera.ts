// A simulated camera: a text arrives, the file is downloaded, checked, installed, and a version query answered.
// It knows what a camera knows and nothing of any server; how it misbehaves is its Behaviour's affair.
import { createReadStream } from 'node:fs'
import path from 'node:path'
import { setTimeout as waitMs } from 'node:timers/promises'
import type { Behaviour, CameraEventKind, DownloadTools, VersionAnswer } from './behaviour.js'
import { type CameraModel, readText, type UpgradeOrder } from './camera-model.js'
import { asFault, CameraFault } from './fault.js'
import { ask, openConnection } from './http-client.js'
import { type CheckedFile, type CheckResult, checkCopy, openPartFile, type PartFile, readCopy } from './part-file.js'
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
  /** A person hands the camera a file. From a card it takes one with the right name only; what it cannot use is told. */
  receiveFile(given: { file: string; way: 'cable' | 'card' | 'hotspot' }): void
  /** null = no answer: installing, restarting, switched off, or dead. */
  queryVersion(): Promise<VersionAnswer | null>
  /** The same query over the air: what of it reaches the platform now, which may be late, doubled or out of order. */
  answersByAir(): Promise<VersionAnswer[]>
  readonly state: CameraState
  /** The last file that passed the check. */
  readonly file: CheckedFile | null
  /** The most bytes that it ever held of the files it was told to download. */
  readonly mostHeldBytes: number
  /** Resolves when no upgrade is under way. One that stalls never ends by itself. */
  settled(): Promise<void>
  stop(): Promise<void>
}

const PAUSE_MS = 1_000
const NOTHING_TOLD: UpgradeOrder['told'] = { sizeBytes: null, sha256: null, sha1: null, md5: null, crc32: null }
/** Faults of a text or a file that was not even begun with. */
const REFUSALS = new Set(['text-unknown', 'url-refused', 'refused'])

export function createCamera(setup: CameraSetup): Camera {
  const { identity, model, behaviour, clock } = setup
  const power = new AbortController()
  let state: CameraState = 'idle'
  let version = setup.version
  let file: CheckedFile | null = null
  let mostHeldBytes = 0
  /** Of copies that nobody has asked about yet, oldest first; as many as there are tries of one upgrade. */
  const unsaidDigests: string[] = []
  let running: Promise<void> = Promise.resolve()

  const tell = (kind: CameraEventKind, detail: string) =>
    setup.onEvent?.({ atMs: clock(), imei: identity.imei, kind, detail })
  const wait = (ms: number) => waitMs(ms, undefined, { signal: power.signal })

  function toolsFor(order: UpgradeOrder, part: PartFile): DownloadTools {
    const line = { address: order.address, fieldSearch: model.fieldSearch, signal: power.signal }
    return {
      address: order.address,
      part: {
        ...part,
        get heldBytes() {
          return part.heldBytes
        },
        async write(atByte, bytes) {
          await part.write(atByte, bytes)
          mostHeldBytes = Math.max(mostHeldBytes, part.heldBytes)
        },
      },
      ask: (request) => ask({ ...request, ...line }),
      connect: () => openConnection(line),
      wait,
      pauseMs: setup.pauseMs ?? PAUSE_MS,
      random: setup.random,
      tell,
    }
  }

  async function check(part: PartFile, told: UpgradeOrder['told']): Promise<CheckResult> {
    tell('downloaded', `${part.heldBytes} bytes.`)
    state = 'checking'
    const copy = await readCopy(part.path)
    if (behaviour.saysDigest) unsaidDigests.push(copy.digests.sha256)
    const image = checkCopy(copy, told, model.id)
    return { file: { path: part.path, sizeBytes: copy.sizeBytes, sha256: copy.digests.sha256 }, image }
  }

  async function intoStorage(fill: (part: PartFile) => Promise<void>): Promise<PartFile> {
    const part = await openPartFile(setup.storageFolder, model.storageBytesMax)
    try {
      await fill(part)
    } finally {
      await part.close()
    }
    return part
  }

  async function downloadAndCheck(order: UpgradeOrder): Promise<CheckResult> {
    state = 'downloading'
    return check(await intoStorage((part) => behaviour.download(toolsFor(order, part))), order.told)
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

  async function install(checked: CheckResult): Promise<void> {
    file = checked.file
    await behaviour.beforeInstall({ wait, tell })
    state = 'installing'
    tell('installing', checked.image.version)
    await wait(setup.installMs)
    state = 'restarting'
    tell('restarting', '')
    await wait(setup.restartMs)
    version = behaviour.versionAfterRestart({ image: checked.image.version, before: version })
    tell('running', version)
  }

  async function followText(text: string): Promise<void> {
    const order = readText(model, text)
    const refusal = behaviour.onText()
    if (refusal !== null) throw new CameraFault('refused', refusal)
    file = null // The storage holds one file, and its place is written to from now on.
    tell('download-started', order.address.path.slice(order.address.path.lastIndexOf('/') + 1))
    await install(await obtain(order))
  }

  async function takeFile({ file: source, way }: { file: string; way: string }): Promise<void> {
    const name = path.basename(source)
    if (way === 'card' && !model.fileNamePattern.test(name)) {
      throw new CameraFault('refused', `The camera finds no file called "${name}" on a card.`)
    }
    file = null
    tell('download-started', `${name} by ${way}`)
    const part = await intoStorage(async (held) => {
      for await (const piece of createReadStream(source, { signal: power.signal }) as AsyncIterable<Buffer>) {
        await held.write(held.heldBytes, piece)
      }
    })
    await install(await check(part, NOTHING_TOLD))
  }

  async function carryOut(upgrade: () => Promise<void>): Promise<void> {
    try {
      await upgrade()
    } catch (error) {
      const fault = asFault(error)
      const kind = REFUSALS.has(fault.code) ? 'text-refused' : 'fault'
      if (fault.code !== 'stopped') tell(kind, `${fault.code}: ${fault.message}`)
    } finally {
      state = power.signal.aborted ? 'off' : 'idle'
    }
  }

  function begin(upgrade: () => Promise<void>): void {
    if (state === 'off') return
    if (state === 'idle') {
      state = 'downloading' // At once, so that a second text of the same moment finds the camera busy.
      running = carryOut(upgrade)
    } else tell('text-refused', new CameraFault('busy', 'An upgrade is under way.').message)
  }

  const camera: Camera = {
    identity,
    receiveText: (text) => begin(() => followText(text)),
    receiveFile: (given) => begin(() => takeFile(given)),
    async queryVersion() {
      if (state === 'installing' || state === 'restarting' || state === 'off') return null
      const reported = behaviour.reported(version)
      if (reported === null) return null
      const digest = unsaidDigests.shift() ?? null
      return { version: reported, observedAtMs: behaviour.clockShows(clock()), digest }
    },
    async answersByAir() {
      const answer = await camera.queryVersion()
      return answer === null ? [] : behaviour.passOn(answer)
    },
    get state() {
      return state
    },
    get file() {
      return file
    },
    get mostHeldBytes() {
      return mostHeldBytes
    },
    settled: () => running,
    async stop() {
      power.abort()
      await running
      state = 'off'
    },
  }
  return camera
}
