// Server-sent events (WHATWG HTML, section "Server-sent events"): what happens to tasks, as it is committed. The id of an
// event is its place in the audit log, so a client that was away resumes with Last-Event-ID and misses nothing.
import { once } from 'node:events'
import type { FastifyPluginAsync, FastifyReply, FastifyRequest } from 'fastify'
import { z } from 'zod'
import { keyOf } from '../access/authenticate.service.js'
import { requireRole } from '../access/require-role.js'
import { readHead, scanEntries } from '../audit/audit.store.js'
import type { Clock } from '../clock.js'
import type { Db, Effect } from '../db/db.js'
import { findLedgers } from '../downloads/ledger.store.js'
import { sizeOf } from '../downloads/span.js'
import { AppError } from '../errors.js'
import { problems, type ZodApp } from '../http/zod-routes.js'
import type { Hub } from './hub.js'

export const LISTENERS_MAX = 200
/** One key may not take the places of all others; a screen needs one stream. */
export const LISTENERS_PER_KEY_MAX = 20
/** After which a refused listener may ask again. */
const RETRY_AFTER_SECONDS = 30
/** What may wait for a slow client; then it is cut off and resumes by its last id. */
const BUFFER_MAX_BYTES = 1024 * 1024
const PAGE_ROWS = 500
/** How long a client that was sent a bufferful may take nothing of it. */
const STALLED_MS = 5000
/** Keeps proxies from closing a quiet stream. */
const HEARTBEAT_MS = 20_000
/** How often at most it is asked whether the listener may still listen: events come by the hundred. */
const ASKED_AGAIN_MS = 1000

interface EventDeps {
  read: Db
  clock: Clock
  hub: Hub
}

export function eventRoutes(deps: EventDeps): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    const places = new Map<string, number>()
    app.get(
      '/events',
      {
        exposeHeadRoute: false, // A stream without a body would never end.
        onRequest: requireRole('read'),
        schema: {
          description: 'text/event-stream: `task` (id = audit seq) and `ledger`. Resume with Last-Event-ID or ?after=.',
          querystring: z.object({ after: z.coerce.number().int().min(0).optional() }),
          response: {
            200: { content: { 'text/event-stream': { schema: z.string() } } },
            ...problems(429),
          },
        },
      },
      async (request, reply) => {
        // Who left meanwhile gets no place: nothing would ever tell that it is free again.
        if (reply.raw.destroyed) return reply.hijack()
        reply.raw.once('close', takePlace(places, request.actor.id, reply))
        const resumeAt = Number(request.headers['last-event-id'] ?? request.query.after)
        const afterSeq = Number.isSafeInteger(resumeAt) && resumeAt >= 0 ? resumeAt : (await readHead(deps.read)).seq
        reply.hijack()
        if (reply.raw.destroyed) return reply
        reply.raw.writeHead(200, {
          ...(reply.getHeaders() as Record<string, string>),
          'content-type': 'text/event-stream',
          'cache-control': 'no-store',
          'x-accel-buffering': 'no',
        })
        reply.raw.flushHeaders()
        stream(deps, { request, reply, afterSeq })
        return reply
      },
    )
  }
}

/** A place for one more stream of this key; returns the way out. Taken before anything is waited for. */
function takePlace(places: Map<string, number>, keyId: string, reply: FastifyReply): () => void {
  const mine = places.get(keyId) ?? 0
  const all = [...places.values()].reduce((sum, count) => sum + count, 0)
  if (mine >= LISTENERS_PER_KEY_MAX || all >= LISTENERS_MAX) void reply.header('retry-after', RETRY_AFTER_SECONDS)
  if (mine >= LISTENERS_PER_KEY_MAX) {
    throw new AppError(
      'listeners-full',
      `This key has ${mine} event streams open, the most it may have: close one, or wait.`,
    )
  }
  if (all >= LISTENERS_MAX) throw new AppError('not-ready', 'Too many listen already. Try again later.')
  places.set(keyId, mine + 1)
  return () => {
    const left = (places.get(keyId) ?? 1) - 1
    if (left > 0) places.set(keyId, left)
    else places.delete(keyId)
  }
}

function stream(deps: EventDeps, given: { request: FastifyRequest; reply: FastifyReply; afterSeq: number }): void {
  const { request, afterSeq } = given
  const { raw } = given.reply
  const ledgers = new Map<string, string | null>()
  /** Up to here everything was looked at: a log of check-ins that move no task is not read again and again. */
  let seenSeq = afterSeq
  let busy = false
  let again = false
  let askedAtMs = deps.clock()

  const write = (text: string) => {
    if (raw.destroyed) return // Writing on would raise an error that nobody waits for.
    raw.write(text)
    if (raw.writableLength > BUFFER_MAX_BYTES) raw.destroy()
  }
  async function drain(): Promise<void> {
    if (busy) {
      again = true
      return
    }
    busy = true
    do {
      again = false
      await endUnlessKnown()
      await writeTasks()
      await writeLedgers()
    } while (again && !raw.destroyed)
    busy = false
  }
  /** A key may be revoked, and a session closed, while the stream that it opened runs on. */
  async function endUnlessKnown(): Promise<void> {
    const nowMs = deps.clock()
    if (Math.abs(nowMs - askedAtMs) < ASKED_AGAIN_MS) return
    askedAtMs = nowMs
    if (!(await keyOf(request, deps))) raw.destroy()
  }
  async function writeTasks(): Promise<void> {
    const { seq: untilSeq } = await readHead(deps.read)
    for (;;) {
      if (raw.destroyed) return
      const rows = await scanEntries(deps.read, { action: 'task.' }, { afterSeq: seenSeq, limit: PAGE_ROWS, untilSeq })
      for (const row of rows) {
        const { at, action, unit, task, fromVersion, toVersion, detail } = JSON.parse(row.body) as Record<
          string,
          unknown
        >
        const data = JSON.stringify({ seq: row.seq, at, action, unit, task, fromVersion, toVersion, detail })
        write(`id: ${row.seq}\nevent: task\ndata: ${data}\n\n`)
        seenSeq = row.seq
        if (raw.writableNeedDrain) await drained()
      }
      if (rows.length < PAGE_ROWS) {
        seenSeq = Math.max(seenSeq, untilSeq)
        return
      }
    }
  }
  /** Who resumes far back gets it at the pace at which it reads; who reads nothing gives its place to another. */
  async function drained(): Promise<void> {
    const timer = setTimeout(() => raw.destroy(), STALLED_MS)
    await Promise.race([once(raw, 'drain'), over])
    clearTimeout(timer)
  }
  async function writeLedgers(): Promise<void> {
    const changed = new Map(ledgers)
    ledgers.clear()
    for (const [linkId, ledger] of await findLedgers(deps.read, [...changed.keys()])) {
      const data = JSON.stringify({
        task: changed.get(linkId),
        link: linkId,
        sentBytes: sizeOf(ledger.sent),
        acknowledgedBytes: sizeOf(ledger.acknowledged),
        inferredBytes: sizeOf(ledger.inferred),
      })
      write(`event: ledger\ndata: ${data}\n\n`)
    }
  }

  const fail = () => raw.destroy()
  const over = new Promise((resolve) => raw.once('close', resolve))
  const leave = deps.hub.subscribe((effects: readonly Effect[]) => {
    for (const effect of effects) if (effect.kind === 'ledger') ledgers.set(effect.linkId, effect.taskId)
    drain().catch(fail)
  })
  const heartbeat = setInterval(() => {
    write(': still here\n\n')
    endUnlessKnown().catch(fail)
  }, HEARTBEAT_MS)
  raw.on('error', () => raw.destroy())
  raw.on('close', () => {
    clearInterval(heartbeat)
    leave()
  })
  raw.write('retry: 2000\n\n')
  drain().catch(fail)
}
