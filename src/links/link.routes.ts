import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { linkToken } from '../access/secret.js'
import { toRfc3339 } from '../clock.js'
import { changeProblems, Id, Instant, instantMs, type ZodApp } from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import { type LinkService, linkUrl } from './link.service.js'

const LinkView = z
  .object({
    id: z.string(),
    kind: z.enum(['unit', 'copy']),
    package: z.string(),
    unit: z.string().nullable(),
    url: z.string(),
    byteBudget: z.number().int(),
    expiresAt: z.string().nullable(),
  })
  .meta({ id: 'Link' })

export function linkRoutes(deps: {
  links: Remote<LinkService>
  settings: { serverSecret: string; publicUrl: string | null }
}): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.post(
      '/links',
      {
        onRequest: requireRole('operate'),
        schema: {
          description:
            'A link without a task of its own. `copy`: for a technician’s computer or phone; may be named for tasks.',
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
        return reply.code(201).send({
          id: link.id,
          kind: link.kind,
          package: link.packageId,
          unit: link.unitId,
          url: linkUrl(deps.settings.publicUrl!, linkToken(deps.settings.serverSecret, link.id), link.fileName),
          byteBudget: link.byteBudgetBytes,
          expiresAt: link.expiresAtMs === null ? null : toRfc3339(link.expiresAtMs),
        })
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
