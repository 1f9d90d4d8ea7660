import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { changeProblems, Id, problems, type ZodApp } from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import type { RetentionService } from './retention.service.js'
import type { ScrubService } from './scrub.service.js'
import { findLastScrub, type Scrub } from './scrub.store.js'

const ScrubView = z
  .object({
    id: z.string(),
    package: z.string().nullable().describe('null: all packages'),
    startedAt: z.string(),
    startedBy: z.string(),
    endedAt: z.string().nullable(),
    files: z.number().int(),
    bytes: z.number().int(),
    checkedFiles: z.number().int(),
    checkedBytes: z.number().int(),
    damaged: z.array(z.string()).describe('SHA-256 of files found damaged, the first 100'),
  })
  .meta({ id: 'Scrub' })

const toView = (scrub: Scrub): z.infer<typeof ScrubView> => ({
  id: scrub.id,
  package: scrub.packageId,
  startedAt: toRfc3339(scrub.startedAtMs),
  startedBy: scrub.startedBy,
  endedAt: scrub.endedAtMs === null ? null : toRfc3339(scrub.endedAtMs),
  files: scrub.files,
  bytes: scrub.bytes,
  checkedFiles: scrub.checkedFiles,
  checkedBytes: scrub.checkedBytes,
  damaged: scrub.damaged,
})

export function upkeepRoutes(deps: {
  read: Db
  scrub: Remote<ScrubService>
  retention: Remote<RetentionService>
}): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.post(
      '/packages/scrub',
      {
        onRequest: requireRole('integrate'),
        schema: {
          description:
            'Reads stored packages back and compares them with their digests, in the background. A damaged one is not given out any more; uploading the same file again repairs it.',
          body: z.strictObject({ package: Id.optional() }).nullish(),
          response: { 202: ScrubView, ...changeProblems(404, 409) },
        },
      },
      async (request, reply) => {
        const scrub = await deps.scrub.start(request.actor, { packageId: request.body?.package ?? null })
        return reply.code(202).send(toView(scrub))
      },
    )
    app.get(
      '/packages/scrub',
      {
        onRequest: requireRole('read'),
        schema: {
          description: 'The check that runs, else the last one; null where there never was one.',
          response: { 200: z.object({ scrub: ScrubView.nullable() }), ...problems() },
        },
      },
      async () => {
        const last = await findLastScrub(deps.read)
        return { scrub: last && toView(last) }
      },
    )
    app.post(
      '/labels/erase',
      {
        onRequest: requireRole('integrate'),
        schema: {
          description:
            'Erases the personal data that the log holds of one unit: IMEI, serial and phone number, SIM, names of keys and notes in all of its entries. The chain still verifies. It cannot be undone.',
          body: z.strictObject({ unit: Id }),
          response: { 200: z.object({ unit: z.string(), entries: z.number().int() }), ...changeProblems(404) },
        },
      },
      (request) => deps.retention.eraseUnit(request.actor, request.body.unit),
    )
  }
}
