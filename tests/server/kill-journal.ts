// What is known outside the server while it is killed again and again: all that was acknowledged (its answer read to the
// end), all that was refused, and what is not known because no answer came.
import { createHash } from 'node:crypto'
import type { Random } from '../../src/camera/seeded-random.js'
import type { Answer } from '../support/app.js'
import type { ServedApp } from '../support/serve.js'
import type { KillClient } from './kill-clients.js'

export const sha256 = (bytes: Uint8Array): string => createHash('sha256').update(bytes).digest('hex')

/** A request with an Idempotency-Key: whoever repeats it gets the first answer, or makes it happen now, once. */
export interface OnceRequest {
  name: string
  path: string
  body: unknown
  /** Ids in the first answer; null: no answer came. */
  answer: string[] | null
  /** The ids in an answer. */
  idsOf: (body: Answer['body']) => string[]
}

export interface Journal {
  /** The highest head of the audit log that was seen. */
  head: { seq: number; hash: string }
  /** Title number of the model. */
  title: number
  units: Set<string>
  /** Units that the platforms report of. */
  reporters: string[]
  /** By the id that the platform gave. */
  checkins: Map<string, { unit: string; version: string; listener: string; answered: boolean }>
  refusedCheckins: Set<string>
  uploads: Map<string, { sha256: string; answered: boolean; released: boolean }>
  refusedUploads: Set<string>
  /** By task: how far it had come when an answer said so. */
  tasks: Map<string, { unit: string; rank: number }>
  /** Units of one call for which no task may be missing while others are there. */
  together: string[][]
  /** Units whose only issue was refused. */
  refusedIssues: Set<string>
  links: Map<string, { url: string; revoked: boolean }>
  keys: Map<string, { secret: string; revoked: boolean }>
  requests: OnceRequest[]
  clients: KillClient[]
}

export const emptyJournal = (): Journal => ({
  head: { seq: 0, hash: '0'.repeat(64) },
  title: 0,
  units: new Set(),
  reporters: [],
  checkins: new Map(),
  refusedCheckins: new Set(),
  uploads: new Map(),
  refusedUploads: new Set(),
  tasks: new Map(),
  together: [],
  refusedIssues: new Set(),
  links: new Map(),
  keys: new Map(),
  requests: [],
  clients: [],
})

/** Order in which a task can only go on; every exit stands at the end. */
const RANKS = ['queued', 'fetched', 'verified', 'applied', 'confirmed']
export const rankOf = (state: string): number => {
  const rank = RANKS.indexOf(state)
  return rank < 0 ? RANKS.length : rank
}

/** One run: the server, what is known of it, and the dice. */
export interface KillRun {
  served: ServedApp
  journal: Journal
  random: Random
  /** Of the model; A and B are released, with the same bytes. */
  packages: { a: string; b: string; bytes: Buffer }
  platformKey: string
  /** Set just before the server is killed or told to stop. */
  over: boolean
  /** Clients of this round that have the beginning of a file and read no more. */
  withheld: number
  faults: string[]
  /** How many things were looked at after kills, by kind. */
  checked: Map<string, number>
  nextNumber(): number
}

export const pick = <T>(random: Random, items: readonly T[]): T => items[Math.floor(random() * items.length)]!

interface Request {
  method: string
  path: string
  body?: unknown
  headers?: Record<string, string>
  key?: string
  /** Where platforms come in, with the key of one; otherwise the office API. */
  listener?: 'public' | 'office'
}

/** null: the connection broke, or the server said that it is stopping. Before the end of the round that is a fault. */
export async function send(run: KillRun, request: Request): Promise<Answer | null> {
  const { method, path, body, headers, key, listener } = request
  try {
    const answer =
      listener === 'public'
        ? await callPublic(run, path, body)
        : await run.served.call(method, path, body, { ...(headers && { headers }), ...(key && { key }) })
    return run.over && answer.status === 503 ? null : answer
  } catch (error) {
    if (!(error instanceof TypeError)) throw error // fetch: the connection broke.
    if (!run.over) run.faults.push(`${method} ${path} broke off while the server ran: ${String(error.cause ?? error)}`)
    return null
  }
}

async function callPublic(run: KillRun, path: string, body: unknown): Promise<Answer> {
  const response = await fetch(`${run.served.publicUrl}${path}`, {
    method: 'POST',
    headers: { authorization: `Bearer ${run.platformKey}`, 'content-type': 'application/json', connection: 'close' },
    body: JSON.stringify(body),
  })
  return { status: response.status, headers: response.headers, body: await response.json() }
}

export function expectStatus(run: KillRun, what: string, answer: Answer, ...wanted: number[]): boolean {
  if (wanted.includes(answer.status)) return true
  run.faults.push(`${what}: ${answer.status} ${JSON.stringify(answer.body).slice(0, 300)}`)
  return false
}

/** Sends a request that may be repeated, and notes its answer. */
export async function sendOnce(
  run: KillRun,
  given: { path: string; body: unknown; idsOf: OnceRequest['idsOf'] },
): Promise<Answer | null> {
  const request: OnceRequest = { ...given, name: `once-${run.nextNumber()}`, answer: null }
  run.journal.requests.push(request)
  const answer = await repeat(run, request)
  if (answer) request.answer = request.idsOf(answer.body)
  return answer
}

export async function repeat(run: KillRun, request: OnceRequest): Promise<Answer | null> {
  const headers = { 'idempotency-key': request.name }
  const answer = await send(run, { method: 'POST', path: request.path, body: request.body, headers })
  return answer && expectStatus(run, `POST ${request.path}`, answer, 201) ? answer : null
}
