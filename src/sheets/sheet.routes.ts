import type { FastifyPluginAsync, FastifyReply, FastifyRequest } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { ROLES, seesSecrets } from '../access/roles.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { AppError } from '../errors.js'
import { Id, problems, type ZodApp } from '../http/zod-routes.js'
import { findTasks } from '../tasks/task.store.js'
import { loadSheets, type SheetSettings } from './sheet.store.js'
import { SHEETS_MAX } from './sheet-limits.js'
import { SHEET_POLICY, sheetsPieces } from './sheet-page.js'

/** Ids with commas between. */
const IDS_CHARS_MAX = 8000

const Page = { description: 'The page', content: { 'text/html': { schema: z.string() } } }

export function sheetRoutes(deps: { read: Db; clock: Clock; settings: SheetSettings }): FastifyPluginAsync {
  async function send(request: FastifyRequest, reply: FastifyReply, ids: string[]): Promise<FastifyReply> {
    const tasks = await findTasks(deps.read, ids)
    const found = new Set(tasks.map((task) => task.id))
    const missing = ids.filter((id) => !found.has(id))
    if (missing.length > 0) {
      throw new AppError(
        'task-not-found',
        `There is no task ${missing.slice(0, 5).join(', ')}: leave it out, or correct the id.`,
        { tasks: missing },
      )
    }
    const role = ROLES.find((known) => known === request.actor.role)!
    const viewer = { seesSecrets: seesSecrets(role), nowMs: deps.clock() }
    let page = ''
    for (const piece of sheetsPieces(await loadSheets(deps.read, tasks, deps.settings, viewer))) {
      page += piece
      await new Promise<void>((resolve) => setImmediate(resolve))
    }
    return reply
      .type('text/html; charset=utf-8')
      .header('content-security-policy', SHEET_POLICY)
      .header('cache-control', 'no-store') // The code on it opens the file.
      .send(page)
  }

  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get(
      '/tasks/:id/sheet',
      {
        onRequest: requireRole('read'),
        schema: {
          description:
            'The task’s sheet for paper, A4 or US letter, two pages: cautions, unit, file, link and its QR code, steps, boxes to fill in. For keys that see no secrets link and code are masked. A filled sheet comes back by `POST /tasks/{id}/hand-report`.',
          params: z.object({ id: Id }),
          response: { 200: Page, ...problems(404) },
        },
      },
      async (request, reply) => send(request, reply as unknown as FastifyReply, [request.params.id]) as never,
    )
    app.get(
      '/tasks/sheets',
      {
        onRequest: requireRole('read'),
        schema: {
          description: `Sheets of up to ${SHEETS_MAX} tasks in one page, in the order asked for, each on pages of its own.`,
          querystring: z.object({
            ids: z.string().min(1).max(IDS_CHARS_MAX).describe('Ids of tasks, commas between'),
          }),
          response: { 200: Page, ...problems(404) },
        },
      },
      async (request, reply) => {
        const ids = [...new Set(request.query.ids.split(',').filter((id) => id !== ''))]
        if (ids.length === 0 || ids.length > SHEETS_MAX) {
          throw new AppError('request-invalid', `Name 1 to ${SHEETS_MAX} tasks in ids, commas between.`)
        }
        return send(request, reply as unknown as FastifyReply, ids) as never
      },
    )
  }
}
