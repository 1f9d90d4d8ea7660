// The one place that writes: queue, services and the clock's own work. Runs in its thread; commands that work on the data
// folder alone (init) use it directly.
import type { Actor } from '../audit/actor.js'
import { listBlobNames } from '../blobs/blob.store.js'
import { diskStore } from '../blobs/disk.driver.js'
import type { CheckinResult } from '../checkins/checkin.service.js'
import type { Clock } from '../clock.js'
import type { Effect } from '../db/db.js'
import { migrate } from '../db/migrate.driver.js'
import { openSqlite } from '../db/sqlite.driver.js'
import { createWriteQueue } from '../db/write-queue.driver.js'
import type { MetricValues } from '../metrics/metric-set.js'
import { createWriterMetrics } from '../metrics/writer-metrics.js'
import type { Call } from '../threads/remote.js'
import type { DataFolder } from './data-folder.driver.js'
import { forgetOld, once } from './once.store.js'
import { noteSettings, serverIdOf } from './server.store.js'
import { createServices, type ServiceSettings, type Services } from './services.js'

/** How often the clock's own work is looked for. */
const TICK_MS = 1000
const CLEAN_MS = 60 * 60 * 1000

export interface Writer {
  serverId: string
  applied: string[]
  swept: string[]
  run: ReturnType<typeof createWriteQueue>['run']
  services: Services
  /** A call of another thread: one unit of work, answered after its commit. */
  handle(call: Call): Promise<unknown>
  /** Resolves when an empty transaction has been begun and committed: the lock is to be had, the queue moves. */
  probe(): Promise<void>
  metrics(): Promise<MetricValues>
  close(): Promise<void>
}

type Method = (work: unknown, ...args: unknown[]) => Promise<unknown>

const isActor = (value: unknown): value is Actor => typeof value === 'object' && value !== null && 'via' in value

/** @param sweep whether this is the server that holds the folder: it removes leftovers of a crash and minds the clock. */
export async function openWriter(given: {
  data: DataFolder
  settings: ServiceSettings
  clock: Clock
  publish: (effects: Effect[]) => void
  sweep: boolean
  onError: (error: unknown) => void
}): Promise<Writer> {
  const { data, clock } = given
  const disk = diskStore(data.folder)
  await disk.prepare()
  const db = openSqlite(data.databaseFile, 'write')
  const applied = await migrate(db)
  const measured = createWriterMetrics()
  const queue = createWriteQueue({ db, clock, publish: given.publish, observer: measured.observer })
  measured.metrics.onCollect(() => measured.metrics.gauge('firmhand_write_queue_depth').set(queue.depth))
  const serverId = await queue.run(serverIdOf)
  if (given.sweep) {
    const { publicUrl, behindProxy, taskDeadlineHours } = given.settings
    await queue.run((work) => noteSettings(work, { publicUrl, behindProxy, taskDeadlineHours }))
  }
  const known = new Set(given.sweep ? await listBlobNames(db) : [])
  const swept = given.sweep ? await disk.sweep((sha256) => known.has(sha256)) : []
  const services = createServices(given.settings, disk)
  const methods = services as unknown as Record<string, Record<string, Method>>

  const erases = Object.values(given.settings.keep ?? {}).some((days) => days > 0)
  let ticking = false
  const tick = async () => {
    if (ticking) return
    ticking = true
    await queue.run((work) => services.tasks.settleDue(work)).catch(given.onError)
    if (erases) await queue.run((work) => services.retention.slice(work)).catch(given.onError)
    ticking = false
  }
  const timers = given.sweep
    ? [
        setInterval(() => void tick(), TICK_MS),
        setInterval(() => void queue.run(forgetOld).catch(given.onError), CLEAN_MS),
      ]
    : []

  return {
    serverId,
    applied,
    swept,
    services,
    run: queue.run,
    handle: async (call) => {
      const method = methods[call.service]?.[call.method]
      if (!method) throw new Error(`there is no ${call.service}.${call.method}`)
      const [actor] = call.args
      const answer = await queue.run((work) =>
        isActor(actor) ? once(work, actor, () => method(work, ...call.args)) : method(work, ...call.args),
      )
      if (call.service === 'checkins' && call.method === 'accept') measured.countCheckins(answer as CheckinResult[])
      return answer
    },
    probe: () => queue.run(async () => undefined),
    metrics: () => measured.metrics.values(),
    close: async () => {
      for (const timer of timers) clearInterval(timer)
      await queue.close()
      await db.destroy()
    },
  }
}
