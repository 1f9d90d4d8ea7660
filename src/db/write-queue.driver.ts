// Group commit: everything that waits to be written goes into one transaction, each of several pieces behind a savepoint of
// its own, and nobody is answered before the commit. One flush to disk then serves many callers, and one fault harms only its own.
import type { Clock } from '../clock.js'
import { AppError } from '../errors.js'
import type { Db, Effect, Work } from './db.js'
import { runText } from './raw.driver.js'
import { withConnection } from './sqlite.driver.js'
import { isStorageFault } from './storage-fault.js'

/** Pieces in one transaction: beyond this the gain per flush is gone and the first caller would wait for the last. */
const GROUP_MAX = 256
/** Pieces that may wait: beyond this the server says so at once instead of growing. */
const WAITING_MAX = 50_000

/** Told of every transaction, after it: how many pieces it held, how long it took, whether it failed as a whole. */
export interface WriteObserver {
  wrote(group: { pieces: number; ms: number; failed: boolean }): void
}

export interface WriteQueue {
  /** Pieces that wait. */
  readonly depth: number
  /** Runs one piece of work. Resolves after the commit; rejects with what the work threw, and then nothing is stored. */
  run<T>(work: (work: Work) => Promise<T>): Promise<T>
  /** Resolves when all that waits is done; later calls are refused. */
  close(): Promise<void>
}

interface Piece {
  work: (work: Work) => Promise<unknown>
  settle: (result: { value: unknown } | { error: unknown }) => void
}

type Outcome = { value: unknown } | { error: unknown }

const codeOf = (error: unknown): string =>
  typeof error === 'object' && error !== null && 'code' in error ? String(error.code) : ''

function explain(error: unknown): unknown {
  if (isStorageFault(error)) {
    const detail = 'The disk took no more data; nothing was stored. Make room and try again.'
    return new AppError('storage-full', detail, {}, { cause: error })
  }
  if (/^SQLITE_(BUSY|LOCKED)/.test(codeOf(error))) {
    const detail = 'Another program holds the database; nothing was stored. End it and try again.'
    return new AppError('not-ready', detail, {}, { cause: error })
  }
  return error
}

export function createWriteQueue(deps: {
  db: Db
  clock: Clock
  publish: (effects: Effect[]) => void
  observer?: WriteObserver
}): WriteQueue {
  const waiting: Piece[] = []
  let running: Promise<void> | null = null
  let closed = false

  async function runGroup(group: Piece[]): Promise<void> {
    const outcomes: Outcome[] = []
    const effects: Effect[] = []
    const startMs = performance.now()
    const observe = (failed: boolean) =>
      deps.observer?.wrote({ pieces: group.length, ms: performance.now() - startMs, failed })
    try {
      await withConnection(deps.db, async (connection) => {
        // IMMEDIATE takes the write lock at once: a lock that is taken in mid-transaction can fail, this one waits.
        await runText(connection, 'begin immediate')
        try {
          const run = group.length > 1 ? runPiece : runAlone
          for (const piece of group) outcomes.push(await run(connection, piece, effects))
          const isNothing = group.length === 1 && 'error' in outcomes[0]!
          await runText(connection, isNothing ? 'rollback' : 'commit')
        } catch (error) {
          // A full disk may have rolled the transaction back by itself; then there is nothing left to undo.
          await runText(connection, 'rollback').catch(() => undefined)
          throw error
        }
      })
    } catch (error) {
      observe(true)
      for (const piece of group) piece.settle({ error: explain(error) })
      return
    }
    observe(false)
    deps.publish(effects)
    for (const [index, piece] of group.entries()) piece.settle(outcomes[index]!)
  }

  /** With nobody beside it the piece is the transaction: behind a savepoint SQLite would copy every page before it changes. */
  async function runAlone(connection: Db, piece: Piece, effects: Effect[]): Promise<Outcome> {
    const own: Effect[] = []
    try {
      const value = await piece.work({ db: connection, nowMs: deps.clock(), effects: own })
      effects.push(...own)
      return { value }
    } catch (error) {
      if (isStorageFault(error)) throw error
      return { error: explain(error) }
    }
  }

  async function runPiece(connection: Db, piece: Piece, effects: Effect[]): Promise<Outcome> {
    const own: Effect[] = []
    await runText(connection, 'savepoint piece')
    try {
      const value = await piece.work({ db: connection, nowMs: deps.clock(), effects: own })
      await runText(connection, 'release piece')
      effects.push(...own)
      return { value }
    } catch (error) {
      // SQLite may have ended the whole transaction by itself then: no piece of the group can stand.
      if (isStorageFault(error)) throw error
      await runText(connection, 'rollback to piece')
      await runText(connection, 'release piece')
      return { error: explain(error) }
    }
  }

  async function drain(): Promise<void> {
    while (waiting.length > 0) {
      // Lets the messages of other threads in first: they join this group.
      await new Promise<void>((resolve) => setImmediate(resolve))
      await runGroup(waiting.splice(0, GROUP_MAX))
    }
    running = null
  }

  return {
    get depth() {
      return waiting.length
    },
    run: <T>(work: (work: Work) => Promise<T>) =>
      new Promise<T>((resolve, reject) => {
        if (closed) return reject(new AppError('not-ready', 'The server is stopping. Try again in a moment.'))
        if (waiting.length >= WAITING_MAX)
          return reject(new AppError('not-ready', 'Too much is waiting. Try again later.'))
        waiting.push({
          work,
          settle: (result) => ('error' in result ? reject(result.error) : resolve(result.value as T)),
        })
        running ??= drain()
      }),
    close: async () => {
      closed = true
      while (running) await running
    },
  }
}
