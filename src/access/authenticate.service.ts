// Finds out who asks: a bearer key, or a session's cookie with its CSRF token on every change. Sets request.actor.
import type { FastifyInstance, FastifyRequest } from 'fastify'
import type { Actor } from '../audit/actor.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { findLiveKey, findLiveSession, type Key } from './key.store.js'
import { CSRF_HEADER, onceOf, SESSION_COOKIE } from './require-role.js'
import { hashSecret } from './secret.js'

/** Looks up who asks, before a body is read; and for a change, once the body is known, which request it repeats. */
export function authenticate(app: FastifyInstance, deps: { read: Db; clock: Clock; via: Actor['via'] }): void {
  const asked = askedInOneTurn((bearer) => findLiveKey(deps.read, hashSecret(bearer), deps.clock()))
  app.addHook('onRequest', async (request) => {
    const bearer = bearerOf(request)
    const key = bearer === null ? await keyOf(request, deps) : await asked(bearer)
    request.key = key
    if (key) request.actor = { id: key.id, name: key.name, role: key.role, via: deps.via, once: null }
  })
  app.addHook('preHandler', (request, _reply, done) => {
    if (request.key) request.actor.once = onceOf(request)
    done()
  })
}

/**
 * Requests that are read in one turn of the event loop ask at one moment: one look-up serves all of them that bear the same
 * secret. The next turn asks anew, so that a key that was revoked meanwhile opens nothing.
 */
function askedInOneTurn(find: (bearer: string) => Promise<Key | null>): (bearer: string) => Promise<Key | null> {
  const asked = new Map<string, Promise<Key | null>>()
  return (bearer) => {
    const known = asked.get(bearer)
    if (known) return known
    if (asked.size === 0) setImmediate(() => asked.clear())
    const found = find(bearer)
    asked.set(bearer, found)
    return found
  }
}

const bearerOf = (request: FastifyRequest): string | null =>
  /^Bearer +(\S+) *$/i.exec(request.headers.authorization ?? '')?.[1] ?? null

/** The live key behind a request. Asked again by what outlives the moment of its admission: streams and uploads. */
export async function keyOf(request: FastifyRequest, deps: { read: Db; clock: Clock }): Promise<Key | null> {
  const bearer = bearerOf(request)
  if (bearer !== null) return findLiveKey(deps.read, hashSecret(bearer), deps.clock())
  const cookie = request.cookies?.[SESSION_COOKIE]
  if (!cookie) return null
  const session = await findLiveSession(deps.read, hashSecret(cookie), deps.clock())
  if (!session) return null
  request.foreignPage = isForeignPage(request)
  if (request.method !== 'GET' && request.method !== 'HEAD') {
    const csrf = request.headers[CSRF_HEADER]
    request.csrfMissing = typeof csrf !== 'string' || hashSecret(csrf) !== session.csrfHash
  }
  return session.key
}

/**
 * Cookies do not tell ports apart (RFC 6265 §8.5), so a page of another server on the same host would send ours along, and
 * SameSite lets it. The browser says where a page comes from: Sec-Fetch-Site (W3C Fetch Metadata), or Origin (RFC 6454)
 * where it is not sent. Opening a page by a link is no use of the session by that other page: it cannot read the answer.
 */
function isForeignPage(request: FastifyRequest): boolean {
  const { 'sec-fetch-site': site, 'sec-fetch-mode': mode, origin, host } = request.headers
  if (typeof site === 'string') {
    const opensPage = mode === 'navigate' && (request.method === 'GET' || request.method === 'HEAD')
    return site !== 'same-origin' && site !== 'none' && !opensPage
  }
  if (origin === undefined) return false
  // `null` stands for a page that hides where it comes from; no page of ours does.
  return origin.replace(/^https?:\/\//i, '').toLowerCase() !== (host ?? '').toLowerCase()
}
