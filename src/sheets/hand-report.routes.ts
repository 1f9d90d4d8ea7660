import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { ROLES, seesSecrets } from '../access/roles.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { changeProblems, Id, Instant, instantMs, type ZodApp } from '../http/zod-routes.js'
import { Digest } from '../tasks/task.routes.js'
import { requireTask } from '../tasks/task.service.js'
import { TaskView } from '../tasks/task-view.js'
import { loadTaskViews, type ViewSettings } from '../tasks/task-view.store.js'
import type { Remote } from '../threads/remote.js'
import { VERSION_CHARS_MAX } from '../versions/version.js'
import { FINDING_CODES, OUTCOMES, POST_CHECKS, type VersionRead } from './hand-report.js'
import type { HandReportService } from './hand-report.service.js'

/** No supply in a vehicle or at a bench is higher; a value above was typed without its decimal point. */
const VOLTS_MAX = 60
const NAME_MAX = 100
const NOTE_MAX = 2000

const Read = z.strictObject({
  version: z.string().min(1).max(VERSION_CHARS_MAX),
  observedAt: Instant.describe('When it was read off the unit'),
})
const Volts = z.number().min(0).max(VOLTS_MAX)

const Body = z
  .strictObject({
    by: z.string().min(1).max(NAME_MAX).describe('The technician’s name; kept in the log’s erasable labels alone'),
    outcome: z.enum(OUTCOMES).default('done').describe('`again`: to be repeated. The last three close the task'),
    startedAt: Instant.optional(),
    identityRead: z.string().min(1).max(64).optional().describe('IMEI or serial as read; another unit’s is refused'),
    digest: Digest.optional().describe('What the technician’s computer computed of its copy'),
    before: Read.optional().describe('Version before'),
    after: Read.optional().describe('Version after'),
    again: Read.optional().describe('Version once more, the soak time later: confirms'),
    supplyVolts: z.strictObject({ start: Volts.optional(), underLoad: Volts.optional() }).optional(),
    checks: z
      .strictObject(Object.fromEntries(POST_CHECKS.map((name) => [name, z.boolean().optional()])))
      .optional()
      .describe('What was looked at after the upgrade, and whether it was right'),
    note: z.string().min(1).max(NOTE_MAX).optional(),
  })
  .meta({ id: 'HandReport' })

const Answer = z
  .object({
    report: z.string(),
    duplicate: z.boolean().describe('This sheet was typed in before; nothing was done'),
    findings: z.array(z.object({ code: z.enum(FINDING_CODES), text: z.string() })),
    task: TaskView,
  })
  .meta({ id: 'HandReportAnswer' })

export function handReportRoutes(deps: {
  read: Db
  clock: Clock
  handReports: Remote<HandReportService>
  settings: ViewSettings
}): FastifyPluginAsync {
  const readOf = (read: z.infer<typeof Read> | undefined): VersionRead | null =>
    read === undefined ? null : { version: read.version, observedAtMs: instantMs(read.observedAt) }

  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.post(
      '/tasks/:id/hand-report',
      {
        onRequest: requireRole('operate'),
        schema: {
          description:
            'Types a filled sheet in: versions become check-ins of source `bench`, the digest and a failure a person’s word, all of it a `task.reported` entry, in one transaction. The same sheet again does nothing. What looks wrong is taken and named in `findings`.',
          params: z.object({ id: Id }),
          body: Body,
          response: { 200: Answer, ...changeProblems(404, 409) },
        },
      },
      async (request) => {
        const { body } = request
        const { id } = request.params
        const result = await deps.handReports.record(request.actor, id, {
          startedAtMs: body.startedAt === undefined ? null : instantMs(body.startedAt),
          identityRead: body.identityRead ?? null,
          digest: body.digest?.toLowerCase() ?? null,
          before: readOf(body.before),
          after: readOf(body.after),
          again: readOf(body.again),
          supplyVolts: {
            start: body.supplyVolts?.start ?? null,
            underLoad: body.supplyVolts?.underLoad ?? null,
          },
          checks: body.checks ?? {},
          outcome: body.outcome,
          by: body.by,
          note: body.note ?? null,
        })
        const role = ROLES.find((known) => known === request.actor.role)!
        const viewer = { seesSecrets: seesSecrets(role), nowMs: deps.clock() }
        const task = await requireTask({ db: deps.read }, id)
        return { ...result, task: (await loadTaskViews(deps.read, [task], deps.settings, viewer))[0]! }
      },
    )
  }
}
