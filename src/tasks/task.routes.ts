import { Readable } from 'node:stream'
import type { FastifyPluginAsync, FastifyRequest } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { ROLES, seesSecrets } from '../access/roles.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
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
import { PackageView, toPackageView } from '../packages/package.routes.js'
import type { Remote } from '../threads/remote.js'
import { chunks, findUnit } from '../units/unit.store.js'
import { ATTESTED_REASONS, METHODS, OPEN, TASK_EXITS, TASK_STATES } from './facts.js'
import { ISSUE_MAX } from './issue.service.js'
import { SKIP_CODES } from './issue-draft.js'
import { SKIP_GUIDE } from './skip-guide.js'
import { requireTask, type TaskService } from './task.service.js'
import { findTasks, listTasks, type Task } from './task.store.js'
import { TaskView } from './task-view.js'
import { loadTaskViews, type ViewSettings } from './task-view.store.js'

const skipCode = z.enum(SKIP_CODES).describe(SKIP_CODES.map((code) => `${code}: ${SKIP_GUIDE[code].when}`).join(' '))
const SkipView = z.object({ unit: z.string(), code: skipCode, detail: z.string() }).meta({ id: 'Skip' })
/** Said by a caller who knows that nothing stops an installation that runs. */
const Acknowledge = z.literal('may-be-installing').optional()
const NOTE_MAX = 2000
/** SHA-256, SHA-1, MD5 or CRC-32 in hex, in any letter case. */
export const Digest = z
  .string()
  .regex(/^(?:[0-9A-Fa-f]{64}|[0-9A-Fa-f]{40}|[0-9A-Fa-f]{32}|[0-9A-Fa-f]{8})$/, 'must be 64, 40, 32 or 8 hex digits')
/** Tasks turned into views between two turns of the event loop. */
const VIEW_CHUNK = 250
/** A body that names 100,000 units. */
export const ISSUE_BODY_MAX_BYTES = 8 * 1024 * 1024

const IssueBody = z
  .strictObject({
    unit: Id.optional(),
    units: z.array(Id).min(1).max(ISSUE_MAX).optional(),
    group: z.string().min(1).max(64).optional(),
    package: Id,
    method: z.enum(METHODS).default('air'),
    deadline: Instant.optional(),
    supersede: z.boolean().default(false),
    force: z.boolean().default(false),
    allOrNothing: z.boolean().default(false),
    acknowledge: Acknowledge,
  })
  .refine((body) => [body.unit, body.units, body.group].filter((given) => given !== undefined).length === 1, {
    message: 'name exactly one of unit, units or group',
  })

export interface TaskRoutesDeps {
  read: Db
  clock: Clock
  tasks: Remote<TaskService>
  settings: ViewSettings
}

export function taskRoutes(deps: TaskRoutesDeps): FastifyPluginAsync {
  async function views(request: FastifyRequest, tasks: readonly Task[]): Promise<TaskView[]> {
    const role = ROLES.find((known) => known === request.actor.role)!
    const viewer = { seesSecrets: seesSecrets(role), nowMs: deps.clock() }
    const all: TaskView[] = []
    for (let i = 0; i < tasks.length; i += VIEW_CHUNK) {
      all.push(...(await loadTaskViews(deps.read, tasks.slice(i, i + VIEW_CHUNK), deps.settings, viewer)))
      await new Promise<void>((resolve) => setImmediate(resolve))
    }
    return all
  }
  /** The same answer as text, piece by piece: that of 100,000 tasks has 170 MB, and more than ten times that as objects. */
  async function* issuedText(request: FastifyRequest, issued: Awaited<ReturnType<typeof deps.tasks.issue>>) {
    let before = '{"tasks":['
    for (const ids of chunks(issued.taskIds, VIEW_CHUNK)) {
      const text = JSON.stringify(await views(request, await findTasks(deps.read, ids)))
      yield before + text.slice(1, -1)
      before = ','
    }
    yield `],"skipped":${JSON.stringify(issued.skipped)}}`
  }
  async function view(request: FastifyRequest, id: string): Promise<TaskView> {
    return (await views(request, [await requireTask({ db: deps.read }, id)]))[0]!
  }

  return async (instance) => {
    const app = instance as unknown as ZodApp
    const params = z.object({ id: Id })

    app.post(
      '/tasks',
      {
        onRequest: requireRole('operate'),
        bodyLimit: ISSUE_BODY_MAX_BYTES,
        schema: {
          body: IssueBody,
          response: {
            201: z.object({ tasks: z.array(TaskView), skipped: z.array(SkipView) }),
            ...changeProblems(404, 409),
          },
        },
      },
      async (request, reply) => {
        const { body } = request
        const issued = await deps.tasks.issue(request.actor, {
          unit: body.unit ?? null,
          units: body.units ?? null,
          group: body.group ?? null,
          packageId: body.package,
          method: body.method,
          deadlineMs: body.deadline === undefined ? null : instantMs(body.deadline),
          supersede: body.supersede,
          force: body.force,
          allOrNothing: body.allOrNothing,
          mayBeInstalling: body.acknowledge === 'may-be-installing',
        })
        if (issued.taskIds.length > VIEW_CHUNK) {
          return reply
            .code(201)
            .type('application/json; charset=utf-8')
            .send(Readable.from(issuedText(request, issued), { objectMode: false }) as never)
        }
        const tasks = await views(request, await findTasks(deps.read, issued.taskIds))
        return reply.code(201).send({ tasks, skipped: issued.skipped })
      },
    )

    app.get(
      '/tasks',
      {
        onRequest: requireRole('read'),
        schema: {
          querystring: PageQuery.extend({
            state: z
              .enum([...TASK_STATES, ...TASK_EXITS, OPEN])
              .optional()
              .meta({ description: 'One state; `open`: every task that is not closed.' }),
            unit: Id.optional(),
            group: z.string().max(64).optional(),
            package: Id.optional(),
          }),
          response: { 200: pageOf(TaskView), ...problems() },
        },
      },
      async (request) => {
        const { query } = request
        const unit = query.unit === undefined ? undefined : ((await findUnit(deps.read, query.unit))?.id ?? query.unit)
        const { items, next } = toPage(await listTasks(deps.read, { ...query, unit }), query.limit)
        return { items: await views(request, items), next }
      },
    )

    app.get(
      '/tasks/:id',
      { onRequest: requireRole('read'), schema: { params, response: { 200: TaskView, ...problems(404) } } },
      (request) => view(request, request.params.id),
    )

    app.post(
      '/tasks/:id/attest',
      {
        onRequest: requireRole('operate'),
        schema: {
          params,
          body: z.strictObject({
            state: z.enum(['fetched', 'verified', 'confirmed', 'failed']),
            reason: z.enum(ATTESTED_REASONS).optional(),
            note: z.string().min(1).max(NOTE_MAX).describe('What was seen, by whom, where'),
            digest: Digest.optional().describe(
              'With `verified`: what the technician’s computer computed of its copy. Another one than the package’s is recorded as a damaged copy.',
            ),
          }),
          response: { 200: TaskView, ...changeProblems(404, 409) },
        },
      },
      async (request) => {
        const { reason, ...word } = request.body
        await deps.tasks.attest(request.actor, request.params.id, { ...word, reason: reason ?? null })
        return view(request, request.params.id)
      },
    )

    app.post(
      '/tasks/:id/cancel',
      {
        onRequest: requireRole('operate'),
        schema: {
          params,
          body: z.strictObject({ reason: z.string().min(1).max(NOTE_MAX), acknowledge: Acknowledge }),
          response: { 200: TaskView, ...changeProblems(404, 409) },
        },
      },
      async (request) => {
        await deps.tasks.cancel(request.actor, request.params.id, {
          reason: request.body.reason,
          mayBeInstalling: request.body.acknowledge === 'may-be-installing',
        })
        return view(request, request.params.id)
      },
    )

    app.post(
      '/tasks/:id/dispatch',
      {
        onRequest: requireRole('operate'),
        schema: {
          description: 'Records that the command went out. Channel `hand`: a person copied the text and sent it.',
          params,
          body: z.strictObject({ channel: z.literal('hand') }),
          response: { 200: TaskView, ...changeProblems(404, 409) },
        },
      },
      async (request) => {
        await deps.tasks.dispatch(request.actor, request.params.id, request.body.channel)
        return view(request, request.params.id)
      },
    )

    app.post(
      '/packages/:id/withdraw',
      {
        onRequest: requireRole('integrate'),
        schema: {
          description:
            'Queued tasks are cancelled, links answer 410, open downloads are reset. Later tasks stay open, flagged.',
          params,
          body: z.strictObject({ reason: z.string().min(1).max(NOTE_MAX) }),
          response: { 200: PackageView, ...changeProblems(404, 409) },
        },
      },
      async (request) =>
        toPackageView(await deps.tasks.withdrawPackage(request.actor, request.params.id, request.body.reason)),
    )
  }
}
