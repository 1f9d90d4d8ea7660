// Reads stored packages back, one at a time and at a bounded pace: those that serving found odd first, then those of a run.
// Lives in the main thread, where nothing is served to cameras.
import { setTimeout } from 'node:timers/promises'
import { lastCheckMs, nextSuspect } from '../blobs/blob.store.js'
import { checkBlob } from '../blobs/check.driver.js'
import { fileOf } from '../blobs/disk.driver.js'
import type { Db } from '../db/db.js'
import type { Logger } from '../logger.js'
import type { Remote } from '../threads/remote.js'
import type { ScrubService } from './scrub.service.js'
import { findRunningScrub, nextOfScrub } from './scrub.store.js'

/** Far below what a disk gives, so that downloads do not notice: a store of 100 GiB takes an hour. */
const BYTES_PER_SECOND = 32 * 1024 * 1024
const LOOK_MS = 500
/** How often it is looked whether a run is due: it is a matter of days. */
const DUE_LOOK_MS = 60_000
/** What goes wrong at every look is said once in this time. */
const QUIET_MS = 60_000

export interface Scrubber {
  stop(): Promise<void>
}

export function startScrubber(deps: {
  read: Db
  scrub: Remote<ScrubService>
  dataFolder: string
  log: Logger
  bytesPerSecond?: number
}): Scrubber {
  const { read, scrub, log } = deps
  const ending = new AbortController()
  const { signal } = ending
  const pace = { bytesPerSecond: deps.bytesPerSecond ?? BYTES_PER_SECOND, stopped: () => signal.aborted }
  let lookDueAtMs = 0
  let quietUntilMs = 0

  /** Checks the next file; false = there is none. */
  async function step(): Promise<boolean> {
    const suspect = await nextSuspect(read)
    const run = suspect ? null : await findRunningScrub(read)
    const file = suspect ?? (run && (await nextOfScrub(read, run)))
    if (!file) return false
    const seenCheckMs = await lastCheckMs(read, file.sha256)
    const verdict = await checkBlob(fileOf(deps.dataFolder, file.sha256), file, pace)
    if (verdict === 'stopped') return false
    const fault = verdict === 'whole' ? null : verdict
    if (fault) log.error({ sha256: file.sha256, fault }, 'a stored package is damaged: upload the same file again')
    await scrub.found({ scrub: run?.id ?? null, sha256: file.sha256, fault, seenCheckMs })
    return true
  }

  async function look(): Promise<void> {
    const nowMs = performance.now()
    if (nowMs >= lookDueAtMs) {
      lookDueAtMs = nowMs + DUE_LOOK_MS
      await scrub.startDue()
    }
    while (!signal.aborted && (await step()));
  }

  const over = (async () => {
    while (!signal.aborted) {
      // Too many open files, a full disk for the record: it passes, and the file is looked at again.
      await look().catch((error: unknown) => {
        if (signal.aborted || performance.now() < quietUntilMs) return
        quietUntilMs = performance.now() + QUIET_MS
        log.warn({ err: error }, 'the check of stored packages has to wait')
      })
      await setTimeout(LOOK_MS, undefined, { signal }).catch(() => undefined)
    }
  })()

  return {
    stop: async () => {
      ending.abort()
      await over
    },
  }
}
