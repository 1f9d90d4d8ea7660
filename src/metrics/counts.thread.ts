// Entry of the thread that counts in the database, when it is asked. It reads only, and nobody waits behind it.
import { parentPort, workerData } from 'node:worker_threads'
import { openSqlite } from '../db/sqlite.driver.js'
import { type Counts, readCounts } from './counts.store.js'

export interface CountsAnswer {
  counts: Counts
  tookMs: number
}

const read = openSqlite((workerData as { databaseFile: string }).databaseFile, 'read')
parentPort!.on('message', async ({ nowMs }: { nowMs: number }) => {
  const startMs = performance.now()
  const counts = await readCounts(read, nowMs)
  parentPort!.postMessage({ counts, tookMs: performance.now() - startMs } satisfies CountsAnswer)
})
