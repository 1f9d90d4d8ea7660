// Stands in for a fleet platform: carries texts to cameras, asks them for their version at intervals, and posts the
// answers to the update server. Of that server it knows one public address, POST /in/check-ins, and a key for it.
import { setTimeout as waitMs } from 'node:timers/promises'
import type { Camera } from './camera.js'

interface CheckIn {
  unit: string
  version: string
  /** RFC 3339, UTC. */
  observedAt: string
  id: string
  digest?: string
}

export interface FleetPlatformSetup {
  cameras: readonly Camera[]
  /** Of the public listener, e.g. http://127.0.0.1:8080. */
  serverUrl: string
  /** A key of the role check-in. */
  key: string
  pollEveryMs: number
  /** Told when reports could not be handed over; they are kept and offered again. */
  onTrouble?: (detail: string) => void
}

export interface FleetPlatform {
  /** A person sends a text to an IMEI or a phone number. False = no such camera. */
  sendText(message: { to: string; text: string }): boolean
  /** Asks every camera once and posts what they say. Returns how many reports the server took. */
  pollOnce(): Promise<number>
  /** Polls until stopped. */
  start(): void
  stop(): Promise<void>
}

/** Under the 10,000 that the server takes at a time. */
const BATCH_MAX = 1_000
/** Reports kept while the server cannot be reached; the oldest go first, as on a platform with a bounded queue. */
const UNSENT_MAX = 10_000
const POST_MS_MAX = 10_000

export function createFleetPlatform(setup: FleetPlatformSetup): FleetPlatform {
  const endpoint = new URL('/in/check-ins', setup.serverUrl)
  const unsent: CheckIn[] = []
  let stopping: AbortController | null = null
  let polling: Promise<void> = Promise.resolve()

  async function post(items: CheckIn[]): Promise<number> {
    const response = await fetch(endpoint, {
      method: 'POST',
      headers: { authorization: `Bearer ${setup.key}`, 'content-type': 'application/json' },
      body: JSON.stringify(items),
      signal: AbortSignal.timeout(POST_MS_MAX),
    })
    if (!response.ok) throw new Error(`The server answered ${response.status} to ${items.length} check-ins.`)
    const { results } = (await response.json()) as { results: { accepted: boolean }[] }
    return results.filter(({ accepted }) => accepted).length
  }

  let turn: Promise<unknown> = Promise.resolve()
  /** One at a time: two posts of one queue would take each other's reports off it. */
  function pollOnce(): Promise<number> {
    const mine = turn.then(askAndPost)
    turn = mine.catch(() => {})
    return mine
  }

  async function askAndPost(): Promise<number> {
    for (const { identity, answersByAir } of setup.cameras) {
      for (const { version, observedAtMs, digest } of await answersByAir()) {
        unsent.push({
          unit: identity.imei,
          version,
          observedAt: new Date(observedAtMs).toISOString(),
          id: `${identity.imei}-${observedAtMs}`, // The same report offered twice keeps its id.
          ...(digest !== null && { digest }),
        })
      }
    }
    unsent.splice(0, Math.max(0, unsent.length - UNSENT_MAX))
    let taken = 0
    while (unsent.length > 0) {
      const batch = unsent.slice(0, BATCH_MAX)
      taken += await post(batch)
      unsent.splice(0, batch.length) // Only now: what was not answered is offered again.
    }
    return taken
  }

  async function poll(signal: AbortSignal): Promise<void> {
    while (!signal.aborted) {
      await pollOnce().catch((error: Error) => setup.onTrouble?.(error.message))
      await waitMs(setup.pollEveryMs, undefined, { signal }).catch(() => {}) // Woken by stop().
    }
  }

  return {
    sendText({ to, text }) {
      const camera = setup.cameras.find(({ identity }) => identity.imei === to || identity.phone === to)
      camera?.receiveText(text)
      return camera !== undefined
    },
    pollOnce,
    start() {
      if (stopping !== null) return
      stopping = new AbortController()
      polling = poll(stopping.signal)
    },
    async stop() {
      stopping?.abort()
      await polling
      stopping = null
    },
  }
}
