// Who is asking: a bearer key, or a session's cookie with its CSRF token on every change. Sets request.actor.

import { createHash } from 'node:crypto'
import { Readable } from 'node:stream'
import type { FastifyInstance, FastifyRequest, onRequestAsyncHookHandler } from 'fastify'
import type { Actor } from '../audit/actor.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { AppError } from '../errors.js'
import { findLiveKey, findLiveSession, type Key } from './key.store.js'
import { may, type Need } from './roles.js'
import { hashSecret } from './secret.js'

export const SESSION_COOKIE = 'firmhand_session'
export const CSRF_HEADER = 'x-csrf-token'
const IDEMPOTENCY_KEY_MAX = 200

declare module 'fastify' {
  interface FastifyRequest {
    /** Set by requireRole; reading it on a route without one is a bug. */
    actor: Actor
    key: Key | null
    /** A session's change came without its token: refused where a route asks for a key, so that a new login still works. */
    csrfMissing: boolean
  }
  interface FastifyContextConfig {
    /** For the test that walks every role × route pair. */
    need?: Need
  }
}

/** Looks up who asks, before a body is read; and for a change, once the body is known, which request it repeats. */
export function authenticate(app: FastifyInstance, deps: { read: Db; clock: Clock; via: Actor['via'] }): void {
  app.addHook('onRequest', async (request) => {
    const key = await keyOf(request, deps)
    request.key = key
    if (key) request.actor = { id: key.id, name: key.name, role: key.role, via: deps.via, once: null }
  })
  app.addHook('preHandler', async (request) => {
    if (request.key) request.actor.once = onceOf(request)
  })
}

async function keyOf(request: FastifyRequest, deps: { read: Db; clock: Clock }): Promise<Key | null> {
  const bearer = /^Bearer +(\S+) *$/i.exec(request.headers.authorization ?? '')?.[1]
  if (bearer) return findLiveKey(deps.read, hashSecret(bearer), deps.clock())
  const cookie = request.cookies?.[SESSION_COOKIE]
  if (!cookie) return null
  const session = await findLiveSession(deps.read, hashSecret(cookie), deps.clock())
  if (!session) return null
  if (request.method !== 'GET' && request.method !== 'HEAD') {
    const csrf = request.headers[CSRF_HEADER]
    request.csrfMissing = typeof csrf !== 'string' || hashSecret(csrf) !== session.csrfHash
  }
  return session.key
}

/**
 * A repeat with the same Idempotency-Key must be the same request: route, address and body are hashed. A body that is a
 * stream is not known yet; its route adds the digest of the bytes with sameBytes().
 */
function onceOf(request: FastifyRequest): Actor['once'] {
  const name = request.headers['idempotency-key']
  if (typeof name !== 'string' || request.method === 'GET') return null
  if (name.length === 0 || name.length > IDEMPOTENCY_KEY_MAX) {
    throw new AppError('request-invalid', `The Idempotency-Key must have 1 to ${IDEMPOTENCY_KEY_MAX} signs.`)
  }
  const body = request.body instanceof Readable ? null : (request.body ?? null)
  return { name, requestHash: sha256(JSON.stringify([request.method, request.url, body])) }
}

const sha256 = (text: string): string => createHash('sha256').update(text).digest('hex')

/** The same actor, for a request whose body is a file with this digest. */
export const sameBytes = (actor: Actor, digest: string): Actor => ({
  ...actor,
  once: actor.once && { ...actor.once, requestHash: sha256(`${actor.once.requestHash} ${digest}`) },
})

/** An onRequest hook, so that nobody is heard out who may not speak: 401 without a live key, 403 where its role does not allow what the route needs. */
export function requireRole(need: Need): onRequestAsyncHookHandler {
  return async (request) => {
    const key = requireKey(request)
    if (!may(key.role, need)) {
      throw new AppError(
        'role-insufficient',
        `A key of role ${key.role} may not do this; ask for one that may ${need}.`,
      )
    }
  }
}

export function requireKey(request: FastifyRequest): Key {
  if (!request.key) {
    throw new AppError(
      'key-missing',
      'Send "Authorization: Bearer KEY" with a key that is live, neither revoked nor past its time.',
    )
  }
  if (request.csrfMissing) {
    throw new AppError('csrf-missing', `Send the session’s token in the field ${CSRF_HEADER}.`)
  }
  return request.key
}
