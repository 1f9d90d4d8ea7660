// What the main thread measures of the process, the disk and the record, and how the parts of all threads come together.
import { readdirSync, readFileSync } from 'node:fs'
import { statfs } from 'node:fs/promises'
import { readHead } from '../audit/audit.store.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { ATTESTED_REASONS, FAILED_REASONS, TASK_EXITS, TASK_STATES } from '../tasks/facts.js'
import { bounded, type ThreadName } from './catalogue.js'
import { type CountKeeper, createCountKeeper } from './counts.driver.js'
import { watchLoopDelay } from './loop-delay.js'
import { createMetricSet, expose, type MetricSet, type MetricValues } from './metric-set.js'

/** A thread that does not answer in this time is left out of the scrape: scrapers wait 10 s by default. */
const THREAD_WAIT_MS = 2000
const KNOWN_REASONS = [...FAILED_REASONS, ...ATTESTED_REASONS, 'package-withdrawn', 'person', 'newer-task']
const PACKAGE_STATES = ['draft', 'released', 'withdrawn']

export interface ServerMetrics {
  /** The whole text for one scrape. */
  text(): Promise<string>
  stop(): Promise<void>
}

export function createServerMetrics(deps: {
  read: Db
  clock: Clock
  log: { warn(fields: object, text: string): void }
  dataFolder: string
  databaseFile: string
  version: string
  eventStreams: () => number
  /** Asks the other threads for their part. */
  threads: Partial<Record<ThreadName, () => Promise<MetricValues>>>
}): ServerMetrics {
  const metrics = createMetricSet('main')
  const counts = createCountKeeper(deps)
  watchLoopDelay(metrics, 'main')
  metrics.gauge('firmhand_build_info').set({ version: deps.version, node_version: process.version }, 1)
  metrics.onCollect(() => collectProcess(metrics, deps.clock))
  metrics.onCollect(() => collectDisk(metrics, deps.dataFolder))
  metrics.onCollect(async () => {
    metrics.gauge('firmhand_event_streams').set(deps.eventStreams())
    metrics.gauge('firmhand_audit_last_seq').set((await readHead(deps.read)).seq)
    await collectCounts(metrics, counts)
  })

  return {
    async text() {
      const parts: MetricValues[] = []
      const up = metrics.gauge('firmhand_thread_up')
      await Promise.all(
        Object.entries(deps.threads).map(async ([thread, ask]) => {
          const part = await inTime(ask())
          up.set({ thread }, part ? 1 : 0)
          if (part) parts.push(part)
        }),
      )
      up.set({ thread: 'main' }, 1)
      return expose([await metrics.values(), ...parts])
    },
    stop: () => counts.stop(),
  }
}

async function inTime<T>(answer: Promise<T>): Promise<T | null> {
  let timer: NodeJS.Timeout | undefined
  const limit = new Promise<null>((resolve) => {
    timer = setTimeout(() => resolve(null), THREAD_WAIT_MS)
  })
  const first = await Promise.race([answer.catch(() => null), limit])
  clearTimeout(timer)
  return first
}

function collectProcess(metrics: MetricSet, clock: Clock): void {
  const { user, system } = process.cpuUsage()
  const cpu = metrics.counter('process_cpu_seconds_total')
  cpu.reset()
  cpu.inc((user + system) / 1e6)
  metrics.gauge('process_start_time_seconds').set(Math.round(clock() / 1000 - process.uptime()))
  metrics.gauge('process_resident_memory_bytes').set(process.memoryUsage.rss())
  // proc(5); elsewhere there are no such files, and the metrics are left out.
  try {
    const limits = readFileSync('/proc/self/limits', 'utf8')
    const soft = Number(/^Max open files +(\d+)/m.exec(limits)?.[1])
    if (soft > 0) metrics.gauge('process_max_fds').set(soft)
    metrics.gauge('process_open_fds').set(readdirSync('/proc/self/fd').length)
  } catch {
    metrics.gauge('process_open_fds').remove()
  }
}

async function collectDisk(metrics: MetricSet, folder: string): Promise<void> {
  const disk = await statfs(folder).catch(() => null)
  if (!disk) return
  metrics.gauge('firmhand_disk_free_bytes').set(disk.bavail * disk.bsize)
  metrics.gauge('firmhand_disk_size_bytes').set(disk.blocks * disk.bsize)
  metrics.gauge('firmhand_disk_free_inodes').set(disk.ffree)
}

async function collectCounts(metrics: MetricSet, keeper: CountKeeper): Promise<void> {
  const newest = await keeper.newest()
  if (!newest) return
  const { counts, ageMs } = newest
  metrics.gauge('firmhand_counts_age_seconds').set(Math.round(ageMs) / 1000)
  const tasks = metrics.gauge('firmhand_tasks')
  const closed = metrics.gauge('firmhand_tasks_closed')
  for (const state of [...TASK_STATES, ...TASK_EXITS]) tasks.set({ state }, 0)
  closed.reset()
  for (const { state, reason, count } of counts.tasks) {
    tasks.inc({ state }, count)
    if (!(TASK_EXITS as readonly string[]).includes(state)) continue
    // A person may cancel in words of his own: those are no label.
    closed.inc({ state, reason: bounded(reason ?? 'none', [...KNOWN_REASONS, 'none']) }, count)
  }
  metrics.gauge('firmhand_links_live').set(counts.liveLinks)
  metrics.gauge('firmhand_units').set(counts.units)
  const packages = metrics.gauge('firmhand_packages')
  for (const state of PACKAGE_STATES) packages.set({ state }, 0)
  for (const { state, count } of counts.packages) packages.set({ state: bounded(state, PACKAGE_STATES) }, count)
  metrics.gauge('firmhand_stored_bytes').set(counts.storedBytes)
}
