// The worker thread that reads the kernel's TCP table: at 12,000 connections that takes 30 to 44 ms, which the thread
// that serves bytes cannot spare.
import { readFileSync } from 'node:fs'
import { parentPort } from 'node:worker_threads'
import { findQueues, type KernelAsk } from './kernel-table.js'

export interface KernelQuestion {
  id: number
  asks: KernelAsk[]
}

export interface KernelAnswer {
  id: number
  /** In the order of the asks; null in place of all where the table cannot be read here. */
  queues: (number | null)[] | null
  /** How long reading and parsing took. */
  tookMs: number
}

/** A machine without IPv6 has no tcp6; one without tcp has nothing to read. */
function readTables(): string[] | null {
  try {
    return [readFileSync('/proc/net/tcp', 'latin1'), readOptional('/proc/net/tcp6')]
  } catch {
    return null
  }
}

function readOptional(path: string): string {
  try {
    return readFileSync(path, 'latin1')
  } catch {
    return ''
  }
}

parentPort?.on('message', ({ id, asks }: KernelQuestion) => {
  const startMs = performance.now()
  const texts = readTables()
  const queues = texts && findQueues(texts, asks)
  const answer: KernelAnswer = { id, queues, tookMs: performance.now() - startMs }
  parentPort?.postMessage(answer)
})
