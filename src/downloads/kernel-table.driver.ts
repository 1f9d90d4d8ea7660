// Asks the thread that reads the kernel's TCP table. Where there is no such table (not Linux, /proc hidden, an order of
// bytes that the parser does not know) it says so, and the ledger falls back to its other rules.
import { accessSync, constants, readlinkSync } from 'node:fs'
import type { Socket } from 'node:net'
import { endianness } from 'node:os'
import { Worker } from 'node:worker_threads'
import { threadUrl } from '../threads/thread-url.js'
import { endpointKey, type KernelAsk } from './kernel-table.js'
import type { KernelAnswer, KernelQuestion } from './kernel-table.thread.js'

export interface KernelReading {
  /** Bytes that the far end has not acknowledged, by ask; null = no row, no claim. */
  queues: (number | null)[]
  tookMs: number
}

export interface KernelTable {
  /** Whether the kernel's count can be had at all. May turn false at the first reading, never true again. */
  readonly readable: boolean
  /** null = not to be had this time. */
  read(asks: KernelAsk[]): Promise<KernelReading | null>
  stop(): Promise<void>
}

interface Log {
  warn(fields: object, text: string): void
}

export function startKernelTable({ log }: { log: Log }): KernelTable {
  let readable = process.platform === 'linux' && endianness() === 'LE' && canRead('/proc/net/tcp')
  let stopped = false
  let worker: Worker | null = null
  let lastId = 0
  const waiting = new Map<number, (answer: KernelAnswer | null) => void>()

  /** Started at the first question, and again at the next one should it have died. */
  function running(): Worker {
    if (worker) return worker
    const started = new Worker(threadUrl(import.meta.url, './kernel-table.thread.js'))
    started.unref()
    started.on('message', (answer: KernelAnswer) => settle(answer.id, answer))
    started.on('error', (error) => log.warn({ err: error }, 'the thread that reads the TCP table failed'))
    started.on('exit', () => {
      if (worker === started) worker = null
      for (const id of [...waiting.keys()]) settle(id, null)
    })
    worker = started
    return started
  }

  function settle(id: number, answer: KernelAnswer | null): void {
    const resolve = waiting.get(id)
    waiting.delete(id)
    resolve?.(answer)
  }

  return {
    get readable() {
      return readable
    },
    async read(asks) {
      if (!readable || stopped) return null
      lastId += 1
      const question: KernelQuestion = { id: lastId, asks }
      const answer = await new Promise<KernelAnswer | null>((resolve) => {
        waiting.set(question.id, resolve)
        running().postMessage(question)
      })
      if (!answer) return null
      if (!answer.queues) {
        readable = false
        log.warn({}, 'the TCP table cannot be read: downloads are proven by later requests only')
        return null
      }
      return { queues: answer.queues, tookMs: answer.tookMs }
    },
    async stop() {
      stopped = true
      await worker?.terminate()
    },
  }
}

/** What names the socket in the kernel's table; null where it has no descriptor (not Linux, closed already). */
export function kernelAskOf(socket: Socket): KernelAsk | null {
  const fd = (socket as unknown as { _handle?: { fd?: number } })._handle?.fd
  if (fd === undefined || fd < 0 || !socket.localAddress || !socket.remoteAddress) return null
  const local = endpointKey(socket.localAddress, socket.localPort ?? 0)
  const remote = endpointKey(socket.remoteAddress, socket.remotePort ?? 0)
  const inode = inodeOf(fd)
  return local && remote && inode !== null ? { inode, local, remote } : null
}

function inodeOf(fd: number): number | null {
  try {
    const match = /^socket:\[(\d+)\]$/.exec(readlinkSync(`/proc/self/fd/${fd}`))
    return match ? Number(match[1]) : null
  } catch {
    return null
  }
}

function canRead(path: string): boolean {
  try {
    accessSync(path, constants.R_OK)
    return true
  } catch {
    return false
  }
}
