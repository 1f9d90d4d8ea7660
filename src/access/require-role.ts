// Who is asking: a bearer key, or a session's cookie with its CSRF token on every change. Sets request.actor.

import { createHash } from 'node:crypto'
import type { FastifyReply, FastifyRequest, preHandlerAsyncHookHandler } from 'fastify'
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
  }
  interface FastifyContextConfig {
    /** For the test that walks every role × route pair. */
    need?: Need
  }
}

export function authenticate(deps: { read: Db; clock: Clock; via: Actor['via'] }) {
  return async (request: FastifyRequest, _reply: FastifyReply): Promise<void> => {
    const key = await keyOf(request, deps)
    request.key = key
    if (key) request.actor = { id: key.id, name: key.name, role: key.role, via: deps.via, once: null }
  }
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
    if (typeof csrf !== 'string' || hashSecret(csrf) !== session.csrfHash) {
      throw new AppError('csrf-missing', `Send the session’s token in the field ${CSRF_HEADER}.`)
    }
  }
  return session.key
}

/** A repeat with the same Idempotency-Key must be the same request: route, address and body are hashed. */
function onceOf(request: FastifyRequest): Actor['once'] {
  const name = request.headers['idempotency-key']
  if (typeof name !== 'string' || request.method === 'GET') return null
  if (name.length === 0 || name.length > IDEMPOTENCY_KEY_MAX) {
    throw new AppError('request-invalid', `The Idempotency-Key must have 1 to ${IDEMPOTENCY_KEY_MAX} signs.`)
  }
  const text = JSON.stringify([request.method, request.url, request.body ?? null])
  return { name, requestHash: createHash('sha256').update(text).digest('hex') }
}

/** A preHandler: 401 without a live key, 403 where its role does not allow what the route needs. */
export function requireRole(need: Need): preHandlerAsyncHookHandler {
  return async (request) => {
    const key = requireKey(request)
    if (!may(key.role, need)) {
      throw new AppError(
        'role-insufficient',
        `A key of role ${key.role} may not do this; ask for one that may ${need}.`,
      )
    }
    request.actor.once = onceOf(request)
  }
}

export function requireKey(request: FastifyRequest): Key {
  if (!request.key) {
    throw new AppError(
      'key-missing',
      'Send "Authorization: Bearer KEY" with a key that is live, neither revoked nor past its time.',
    )
  }
  return request.key
}
