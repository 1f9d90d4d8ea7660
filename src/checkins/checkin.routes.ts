import type { FastifyPluginAsync, FastifyRequest, onRequestAsyncHookHandler } from 'fastify'
import { serializerCompiler, validatorCompiler } from 'fastify-type-provider-zod'
import { z } from 'zod'
import { requireKey, requireRole } from '../access/require-role.js'
import { AppError } from '../errors.js'
import { guarding } from '../http/route-need.js'
import { changeProblems, type ZodApp } from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import { CHECKIN_BODY_MAX_BYTES, CHECKINS_MAX, type ItemCode, OFFICE_SOURCES } from './checkin.js'
import type { CheckinResult, CheckinService } from './checkin.service.js'
import { ITEM_GUIDE } from './item-guide.js'

const ITEM_CODES = Object.keys(ITEM_GUIDE) as ItemCode[]

const Results = z
  .object({
    results: z.array(
      z.object({
        index: z.number().int(),
        unit: z.string().nullable(),
        accepted: z.boolean(),
        duplicate: z.boolean(),
        task: z.string().nullable(),
        state: z.string().nullable(),
        code: z.enum(ITEM_CODES).nullable().describe('Why the item was not accepted'),
      }),
    ),
  })
  .meta({ id: 'CheckinResults' })

/** For the document only: items are checked one by one, so that a bad one does not spoil the others. */
const Item = z
  .looseObject({
    unit: z.string().describe('Our id, IMEI or serial number'),
    version: z.string(),
    observedAt: z
      .string()
      .nullish()
      .describe('RFC 3339; without it the report counts at its receipt and cannot confirm'),
    id: z.string().nullish().describe('Yours: the same id of the same source is the same report'),
    digest: z.string().nullish().describe('Hex of what the unit holds: SHA-256, SHA-1, MD5 or CRC-32'),
    note: z.string().nullish(),
  })
  .meta({ id: 'Checkin' })

/** One value, an array, or one value a line; each as it came, for the item check. */
export function readNdjson(text: string): unknown[] {
  return text
    .split('\n')
    .filter((line) => line.trim() !== '')
    .map((line, index) => {
      try {
        return JSON.parse(line) as unknown
      } catch {
        throw new AppError('body-unreadable', `Line ${index + 1} is not JSON; nothing was taken.`)
      }
    })
}

const MEMBERS = ['unit', 'version', 'observedAt', 'id', 'digest', 'note'] as const

/**
 * The items of any of the three forms, with nothing in them but what we read: what a platform sends besides does not travel
 * on, however large or deep. A member that is an object is no value that any of ours can have.
 */
function readItems(body: unknown): unknown[] {
  if (typeof body !== 'object' || body === null) {
    throw new AppError(
      'body-unreadable',
      'Send one report as a JSON object, an array of them, or one a line as application/x-ndjson.',
    )
  }
  const items: unknown[] = Array.isArray(body) ? body : [body]
  if (items.length > CHECKINS_MAX) {
    throw new AppError('body-too-large', `At most ${CHECKINS_MAX} items in one call; send them in several.`)
  }
  return items.map(readMembers)
}

function readMembers(item: unknown): Record<string, unknown> | null {
  if (typeof item !== 'object' || item === null || Array.isArray(item)) return null
  const members: Record<string, unknown> = {}
  for (const name of MEMBERS) {
    if (!Object.hasOwn(item, name)) continue
    const value = (item as Record<string, unknown>)[name]
    members[name] = typeof value === 'object' && value !== null ? false : value
  }
  return members
}

const asItCame = (value: unknown) => ({ value })

/** Member by member, so that nothing else leaves. The schema is for the document. */
function writeResults({ results }: { results: CheckinResult[] }): string {
  const named = results.map(({ index, unit, accepted, duplicate, task, state, code }) => {
    return { index, unit, accepted, duplicate, task, state, code }
  })
  return JSON.stringify({ results: named })
}

/** The same route on both listeners: who may use it and what the source is called differs. */
export function checkinRoutes(deps: {
  checkins: Remote<CheckinService>
  listener: 'public' | 'office'
}): FastifyPluginAsync {
  const guard: onRequestAsyncHookHandler =
    deps.listener === 'office'
      ? requireRole('operate')
      : guarding('report', async (request: FastifyRequest) => {
          const key = requireKey(request)
          if (key.role !== 'check-in') {
            throw new AppError('role-insufficient', 'Only keys of role check-in may be used on the public listener.')
          }
        })

  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.addContentTypeParser('application/x-ndjson', { parseAs: 'string' }, (_request, body, done) => {
      try {
        done(null, readNdjson(String(body)))
      } catch (error) {
        done(error as Error)
      }
    })
    app.post(
      deps.listener === 'public' ? '/in/check-ins' : '/check-ins',
      {
        config: { itemwise: true },
        preValidation: (request, _reply, done) => {
          request.body = readItems(request.body)
          done()
        },
        // Any value passes for a body, and the items are judged one by one.
        serializerCompiler: (answer) =>
          answer.httpStatus === '200' ? writeResults : serializerCompiler(answer as never),
        validatorCompiler: (part) => (part.httpPart === 'body' ? asItCame : validatorCompiler(part as never)),
        onRequest: guard,
        bodyLimit: CHECKIN_BODY_MAX_BYTES,
        schema: {
          description: `One report, an array, or application/x-ndjson; at most ${CHECKINS_MAX} items. Answered after the commit.`,
          'x-firmhand-body': { 'application/x-ndjson': 'One report a line' },
          body: z.union([Item, z.array(Item)]).or(z.any()),
          querystring: z.object({ source: z.enum(OFFICE_SOURCES).default('operator') }),
          response: { 200: Results, ...changeProblems() },
        },
      },
      async (request) => {
        const items = request.body as unknown[]
        const source = deps.listener === 'public' ? `platform:${request.actor.id}` : request.query.source
        return { results: await deps.checkins.accept(request.actor, { items, source }) }
      },
    )
  }
}
