// Check-ins that come one by one while others are being written travel together: one message to the writing thread, one look
// at the record for all. Each caller gets the answer to its own items, after the commit that they are in.
import type { Actor } from '../audit/actor.js'
import { AppError } from '../errors.js'
import type { Remote } from '../threads/remote.js'
import type { CheckinResult, CheckinService } from './checkin.service.js'

/** Requests that travel together: beyond this the first would wait for the last. */
const REQUESTS_MAX = 256
/** Items that travel together. A call with more is as good as a journey of its own. */
const ITEMS_MAX = 1000
/** One journey is written while the next one is gathered; more would only be smaller. */
const JOURNEYS_MAX = 2
/** Requests that may wait: the listener has no more sockets than this. Beyond it the caller is told at once. */
const WAITING_MAX = 16_000

interface Waiting {
  items: unknown[]
  resolve: (results: CheckinResult[]) => void
  reject: (error: unknown) => void
}

/** Requests of one key by one route: what one call can say. */
interface Lane {
  actor: Actor
  source: string
  waiting: Waiting[]
}

type Accept = Remote<CheckinService>['accept']

export function checkinQueue(checkins: { accept: Accept }): { accept: Accept } {
  const lanes = new Map<string, Lane>()
  let waitingCount = 0
  let journeys = 0
  let isGathering = false

  function start(): void {
    // After the requests that have come in already, so that they are on board.
    if (isGathering || journeys >= JOURNEYS_MAX || lanes.size === 0) return
    isGathering = true
    setImmediate(() => {
      isGathering = false
      const [name, lane] = lanes.entries().next().value!
      lanes.delete(name)
      const aboard = take(lane.waiting)
      waitingCount -= aboard.length
      // What is left goes to the end: one busy key does not keep the others waiting.
      if (lane.waiting.length > 0) lanes.set(name, lane)
      journeys += 1
      void travel(lane, aboard).finally(() => {
        journeys -= 1
        start()
      })
      start()
    })
  }

  async function travel({ actor, source }: Lane, aboard: readonly Waiting[]): Promise<void> {
    try {
      const results = await checkins.accept(actor, { items: aboard.flatMap(({ items }) => items), source })
      let from = 0
      for (const { items, resolve } of aboard) {
        const own = results.slice(from, from + items.length)
        for (const [index, result] of own.entries()) result.index = index
        resolve(own)
        from += items.length
      }
    } catch (error) {
      // A full disk or a stop concerns all alike. Anything else is a fault of ours that one of them has met: it shall not
      // be the others' as well.
      if (error instanceof AppError || aboard.length === 1) for (const { reject } of aboard) reject(error)
      else
        for (const { items, resolve, reject } of aboard)
          await checkins.accept(actor, { items, source }).then(resolve, reject)
    }
  }

  return {
    accept: (actor, { items, source }) => {
      // A repeat is known by its key: the record answers that one by itself.
      if (actor.once !== null || items.length > ITEMS_MAX) return checkins.accept(actor, { items, source })
      if (waitingCount >= WAITING_MAX)
        return Promise.reject(new AppError('not-ready', 'Too much is waiting. Try again later.'))
      return new Promise((resolve, reject) => {
        const name = [source, actor.id, actor.role, actor.via, actor.name].join('\0')
        const lane = lanes.get(name) ?? { actor, source, waiting: [] }
        lane.waiting.push({ items, resolve, reject })
        lanes.set(name, lane)
        waitingCount += 1
        start()
      })
    },
  }
}

/** Takes from the front what may travel together: at least one. */
function take(waiting: Waiting[]): Waiting[] {
  let items = 0
  const end = waiting.findIndex((request, index) => {
    items += request.items.length
    return index > 0 && (index >= REQUESTS_MAX || items > ITEMS_MAX)
  })
  return waiting.splice(0, end < 0 ? waiting.length : end)
}
