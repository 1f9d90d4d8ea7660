// What a route asks of its caller, and which earlier request it may be a repeat of. Looks at the request only.
import { createHash } from 'node:crypto'
import { Readable } from 'node:stream'
import type { FastifyRequest, onRequestAsyncHookHandler } from 'fastify'
import type { Actor } from '../audit/actor.js'
import { AppError } from '../errors.js'
import { guarding } from '../http/route-need.js'
import type { Key } from './key.store.js'
import { may, type Need } from './roles.js'

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
    /** A session's cookie came from a page that is not the office's own. */
    foreignPage: boolean
  }
}

/**
 * A repeat with the same Idempotency-Key must be the same request: route, address and body are hashed. A body that is a
 * stream is not known yet; its route adds the digest of the bytes with sameBytes().
 */
export function onceOf(request: FastifyRequest): Actor['once'] {
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
  return guarding(need, async (request: FastifyRequest) => {
    const key = requireKey(request)
    if (!may(key.role, need)) {
      throw new AppError(
        'role-insufficient',
        `A key of role ${key.role} may not do this; ask for one that may ${need}.`,
      )
    }
  })
}

/** The same for what every live key may do. */
export const requireAnyKey: onRequestAsyncHookHandler = guarding('any-key', async (request: FastifyRequest) => {
  requireKey(request)
})

export function requireKey(request: FastifyRequest): Key {
  if (!request.key) {
    throw new AppError(
      'key-missing',
      'Send "Authorization: Bearer KEY" with a key that is live, neither revoked nor past its time.',
    )
  }
  if (request.foreignPage) {
    throw new AppError(
      'origin-refused',
      'A page of another origin may not use your login: open the page from the office address itself.',
    )
  }
  if (request.csrfMissing) {
    throw new AppError('csrf-missing', `Send the session’s token in the field ${CSRF_HEADER}.`)
  }
  return request.key
}
