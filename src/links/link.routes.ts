import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { ROLES, seesSecrets } from '../access/roles.js'
import { linkToken } from '../access/secret.js'
import { type Clock, toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { findHold } from '../hold/hold.store.js'
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
import { findUnit } from '../units/unit.store.js'
import { type LinkService, linkUrl } from './link.service.js'
import { countLinkTasks, type Link, listLinks } from './link.store.js'

const LINK_KINDS = ['unit', 'copy'] as const
/** What a role that may not use links sees in place of the token. */
const MASK = '…'

const LinkView = z
  .object({
    id: z.string(),
    kind: z.enum(LINK_KINDS),
    package: z.string(),
    unit: z.string().nullable(),
    url: z
      .string()
      .describe(
        'A capability: who has it gets the file. Auditors see the token as `…`, and so does everybody while the server is on hold',
      ),
    byteBudget: z.number().int().describe('Bytes that may go out on it; then it answers 410'),
    expiresAt: z.string().nullable(),
  })
  .meta({ id: 'Link' })

const ListedLink = LinkView.extend({
  state: z.enum(['live', 'expired', 'ended']),
  endReason: z.string().nullable().describe('ended (with its last task), revoked, withdrawn, budget-spent'),
  createdAt: z.string(),
  sentBytes: z.number().int().describe('Bytes that went out so far'),
  tasks: z.number().int().describe('How many tasks it serves'),
}).meta({ id: 'ListedLink' })

export interface LinkRoutesDeps {
  read: Db
  clock: Clock
  links: Remote<LinkService>
  settings: { serverSecret: string; publicUrl: string | null }
}

export function linkRoutes(deps: LinkRoutesDeps): FastifyPluginAsync {
  const { serverSecret, publicUrl } = deps.settings

  const view = (link: Link, mayUse: boolean): z.infer<typeof LinkView> => ({
    id: link.id,
    kind: link.kind,
    package: link.packageId,
    unit: link.unitId,
    url: linkUrl(publicUrl ?? '', mayUse ? linkToken(serverSecret, link.id) : MASK, link.fileName),
    byteBudget: link.byteBudgetBytes,
    expiresAt: link.expiresAtMs === null ? null : toRfc3339(link.expiresAtMs),
  })
  /** Nothing that could be sent is given out while it lasts; see the views of tasks. */
  const isOnHold = async (): Promise<boolean> => (await findHold(deps.read)) !== null
  const stateOf = (link: Link): z.infer<typeof ListedLink>['state'] => {
    if (link.endReason !== null) return 'ended'
    return link.expiresAtMs !== null && link.expiresAtMs <= deps.clock() ? 'expired' : 'live'
  }

  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get(
      '/links',
      {
        onRequest: requireRole('read'),
        schema: {
          description: 'Links, oldest first. `state=live`: those that still give the file.',
          querystring: PageQuery.extend({
            package: Id.optional(),
            unit: Id.optional().describe('Our id, IMEI or serial number'),
            task: Id.optional().describe('Links that serve this task'),
            kind: z.enum(LINK_KINDS).optional(),
            state: z.literal('live').optional(),
          }),
          response: { 200: pageOf(ListedLink), ...problems() },
        },
      },
      async (request) => {
        const { query } = request
        const unit = query.unit === undefined ? undefined : ((await findUnit(deps.read, query.unit))?.id ?? query.unit)
        const live = query.state === 'live' ? { nowMs: deps.clock() } : undefined
        const { items, next } = toPage(await listLinks(deps.read, { ...query, unit, live }), query.limit)
        const counts = await countLinkTasks(
          deps.read,
          items.map((link) => link.id),
        )
        const mayUse = seesSecrets(ROLES.find((role) => role === request.actor.role)!) && !(await isOnHold())
        return {
          items: items.map((link) => ({
            ...view(link, mayUse),
            state: stateOf(link),
            endReason: link.endReason,
            createdAt: toRfc3339(link.createdAtMs),
            sentBytes: link.sentBytes,
            tasks: counts.get(link.id) ?? 0,
          })),
          next,
        }
      },
    )
    app.post(
      '/links',
      {
        onRequest: requireRole('operate'),
        schema: {
          description:
            'A link without a task of its own. `copy`: for a technician’s computer or phone; may be named for open hand tasks, which move to `fetched` when it was read to the end. It ends with the last of them, at its time, or when its byte budget is spent; without `expiresAt` its time is that of a task issued now.',
          body: z.strictObject({
            package: Id,
            kind: z.enum(['copy', 'unit']),
            unit: Id.optional(),
            tasks: z.array(Id).max(1000).optional(),
            expiresAt: Instant.optional(),
            byteBudget: z.number().int().min(1).max(Number.MAX_SAFE_INTEGER).optional(),
          }),
          response: { 201: LinkView, ...changeProblems(404, 409) },
        },
      },
      async (request, reply) => {
        const { body } = request
        const link = await deps.links.create(request.actor, {
          packageId: body.package,
          kind: body.kind,
          unit: body.unit ?? null,
          taskIds: body.tasks ?? [],
          expiresAtMs: body.expiresAt === undefined ? null : instantMs(body.expiresAt),
          byteBudgetBytes: body.byteBudget ?? null,
        })
        // A repeat by Idempotency-Key is answered on hold too, and gives as little out as everything else.
        return reply.code(201).send(view(link, !(await isOnHold())))
      },
    )
    app.delete(
      '/links/:id',
      {
        onRequest: requireRole('operate'),
        schema: {
          description: 'The link answers 410 from now on, and downloads that run on it are reset at once.',
          params: z.object({ id: Id }),
          response: { 204: z.null(), ...changeProblems(404) },
        },
      },
      async (request, reply) => {
        await deps.links.revoke(request.actor, request.params.id)
        return reply.code(204).send(null)
      },
    )
  }
}
