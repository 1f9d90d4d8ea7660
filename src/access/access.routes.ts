import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { type Clock, toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { AppError } from '../errors.js'
import {
  changeProblems,
  Id,
  Instant,
  instantMs,
  PageQuery,
  pageOf,
  problems,
  toPage,
  type ZodApp,
} from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import { type AccessService, SESSION_MS } from './access.service.js'
import { findLiveKey, type Key, listKeys } from './key.store.js'
import { requireAnyKey, requireRole, SESSION_COOKIE } from './require-role.js'
import { may, ROLES } from './roles.js'
import { hashSecret, keySecret, sessionSecrets } from './secret.js'

const KeyView = z
  .object({
    id: z.string(),
    name: z.string(),
    role: z.enum(ROLES),
    createdAt: z.string(),
    expiresAt: z.string().nullable(),
    revokedAt: z.string().nullable(),
  })
  .meta({ id: 'Key' })
const NewKeyView = z.object({
  id: z.string(),
  name: z.string(),
  role: z.enum(ROLES),
  secret: z.string().describe('Shown here and never again'),
  expiresAt: z.string().nullable(),
})

const timeOrNull = (ms: number | null): string | null => (ms === null ? null : toRfc3339(ms))
const toView = (key: Key): z.infer<typeof KeyView> => ({
  id: key.id,
  name: key.name,
  role: key.role,
  createdAt: toRfc3339(key.createdAtMs),
  expiresAt: timeOrNull(key.expiresAtMs),
  revokedAt: timeOrNull(key.revokedAtMs),
})

export function accessRoutes(deps: {
  read: Db
  clock: Clock
  access: Remote<AccessService>
  serverSecret: string
}): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get(
      '/keys',
      {
        onRequest: requireRole('read'),
        schema: { querystring: PageQuery, response: { 200: pageOf(KeyView), ...problems() } },
      },
      async (request) => {
        const { items, next } = toPage(await listKeys(deps.read, request.query), request.query.limit)
        return { items: items.map(toView), next }
      },
    )
    app.post(
      '/keys',
      {
        onRequest: requireRole('integrate'),
        schema: {
          body: z.strictObject({
            name: z.string().min(1).max(120),
            role: z.enum(ROLES),
            expiresAt: Instant.optional(),
          }),
          response: { 201: NewKeyView, ...changeProblems() },
        },
      },
      async (request, reply) => {
        const { name, role, expiresAt } = request.body
        const expiresAtMs = expiresAt === undefined ? null : instantMs(expiresAt)
        if (expiresAtMs !== null && expiresAtMs <= deps.clock()) {
          const errors = [{ pointer: '/expiresAt', detail: 'lies in the past' }]
          throw new AppError('request-invalid', 'expiresAt lies in the past: give a later time, or none.', { errors })
        }
        const key = await deps.access.createKey(request.actor, { name, role, expiresAtMs })
        return reply.code(201).send({
          id: key.id,
          name: key.name,
          role: key.role,
          secret: keySecret(deps.serverSecret, key.id),
          expiresAt: timeOrNull(key.expiresAtMs),
        })
      },
    )
    app.delete(
      '/keys/:id',
      {
        onRequest: requireRole('integrate'),
        schema: { params: z.object({ id: Id }), response: { 204: z.null(), ...changeProblems(404) } },
      },
      async (request, reply) => {
        await deps.access.revokeKey(request.actor, request.params.id)
        return reply.code(204).send(null)
      },
    )

    app.post(
      '/session',
      {
        schema: {
          security: [],
          description: 'For browsers: a cookie in place of the key, for 12 h, and a CSRF token for every change.',
          body: z.strictObject({ key: z.string().min(1).max(200) }),
          response: {
            201: z.object({ role: z.enum(ROLES), name: z.string(), csrfToken: z.string(), expiresAt: z.string() }),
            ...changeProblems(),
          },
        },
      },
      async (request, reply) => {
        const key = await findLiveKey(deps.read, hashSecret(request.body.key), deps.clock())
        if (!key || !may(key.role, 'read'))
          throw new AppError(
            'key-missing',
            'The key is not known, revoked, past its time, or for check-ins only: use another one.',
          )
        const actor = { id: key.id, name: key.name, role: key.role, via: 'api' as const, once: null }
        const { sessionId, expiresAtMs } = await deps.access.openSession(actor, key.id)
        const secrets = sessionSecrets(deps.serverSecret, sessionId)
        return reply
          .setCookie(SESSION_COOKIE, secrets.cookie, {
            httpOnly: true,
            sameSite: 'strict',
            path: '/',
            secure: request.protocol === 'https',
            maxAge: SESSION_MS / 1000,
          })
          .code(201)
          .send({ role: key.role, name: key.name, csrfToken: secrets.csrf, expiresAt: toRfc3339(expiresAtMs) })
      },
    )
    app.delete(
      '/session',
      {
        onRequest: requireAnyKey,
        schema: { description: 'Ends the session of the cookie.', response: { 204: z.null(), ...changeProblems() } },
      },
      async (request, reply) => {
        const cookie = request.cookies[SESSION_COOKIE]
        if (cookie) await deps.access.closeSession(request.actor, hashSecret(cookie))
        return reply.clearCookie(SESSION_COOKIE, { path: '/' }).code(204).send(null)
      },
    )
  }
}
