// Whether the server can do its work: its threads answer in bounded time, the database takes a transaction, the disk has
// room, and it is not stopping. Asked at most once a second, however many ask.
import { statfs } from 'node:fs/promises'
import type { NotReady } from '../http/health.routes.js'

/** Answers in a healthy server take milliseconds; a group of large imports may hold the writer for a second or two. */
const ANSWER_MS = 5000
const FRESH_MS = 1000
/** What the record needs to go on: below it a burst of reports would hit the end of the disk. */
const DISK_MIN_BYTES = 32 * 1024 * 1024

export function createReadiness(deps: {
  isStopping: () => boolean
  writer: () => Promise<void>
  publicThread: () => Promise<void>
  dataFolder: string
  answerMs?: number
}): () => Promise<NotReady[]> {
  const { answerMs = ANSWER_MS } = deps
  let last: { reasons: Promise<NotReady[]>; untilMs: number } | null = null

  async function look(): Promise<NotReady[]> {
    const [writer, publicThread, disk] = await Promise.all([
      inTime(deps.writer(), answerMs),
      inTime(deps.publicThread(), answerMs),
      statfs(deps.dataFolder).catch(() => null),
    ])
    const reasons: NotReady[] = []
    if (writer === 'late') reasons.push({ code: 'writer-silent', detail: 'The writing thread does not answer.' })
    else if (writer) reasons.push({ code: 'database-refused', detail: `The database took nothing: ${writer.message}` })
    if (publicThread) reasons.push({ code: 'public-silent', detail: 'The public thread does not answer.' })
    if (disk && disk.bavail * disk.bsize < DISK_MIN_BYTES) {
      reasons.push({ code: 'disk-full', detail: 'The disk of the data folder is full: make room.' })
    }
    return reasons
  }

  return async () => {
    if (deps.isStopping()) return [{ code: 'stopping', detail: 'The server is stopping.' }]
    if (!last || performance.now() > last.untilMs) last = { reasons: look(), untilMs: performance.now() + FRESH_MS }
    return last.reasons
  }
}

/** null = answered well. */
async function inTime(answer: Promise<void>, limitMs: number): Promise<'late' | Error | null> {
  let timer: NodeJS.Timeout | undefined
  const limit = new Promise<'late'>((resolve) => {
    timer = setTimeout(() => resolve('late'), limitMs)
  })
  const outcome = await Promise.race([
    answer.then(
      () => null,
      (error: Error) => error,
    ),
    limit,
  ])
  clearTimeout(timer)
  return outcome
}
