import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { type Clock, toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { changeProblems, problems, type ZodApp } from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import type { HoldService } from './hold.service.js'
import { countHeld, findHold } from './hold.store.js'

const NOTE_MAX = 2000
const Count = z.number().int().min(0).max(Number.MAX_SAFE_INTEGER)
const Numbers = z.object({ openTasks: Count, liveLinks: Count, unsentCommands: Count }).meta({ id: 'HeldNumbers' })

export const HoldView = z
  .object({
    onHold: z.boolean(),
    since: z.string().nullable(),
    reason: z.string().nullable(),
    cause: z.enum(['restore', 'person']).nullable(),
    setBy: z.string().nullable().describe('Key id; `cli` for the command line on the server itself'),
    backup: z.object({ at: z.string(), head: z.string() }).nullable().describe('What was restored'),
    deadlinesStandStillFrom: z.string().nullable(),
    held: Numbers.describe('What goes on at the release; without a hold what would be held'),
  })
  .meta({ id: 'Hold' })

export function holdRoutes(deps: { read: Db; clock: Clock; hold: Remote<HoldService> }): FastifyPluginAsync {
  async function view(): Promise<z.infer<typeof HoldView>> {
    const hold = await findHold(deps.read)
    const nowMs = deps.clock()
    const backup = hold?.backup ?? null
    return {
      onHold: hold !== null,
      since: hold && toRfc3339(hold.setAtMs),
      reason: hold?.reason ?? null,
      cause: hold?.cause ?? null,
      setBy: hold?.setBy ?? null,
      backup: backup && { at: toRfc3339(backup.atMs), head: `${backup.head.seq}:${backup.head.hash}` },
      deadlinesStandStillFrom: hold && toRfc3339(hold.countsFromMs),
      held: await countHeld(deps.read, { nowMs, sinceMs: hold?.countsFromMs ?? nowMs }),
    }
  }

  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get('/hold', { onRequest: requireRole('read'), schema: { response: { 200: HoldView, ...problems() } } }, view)
    app.post(
      '/hold',
      {
        onRequest: requireRole('integrate'),
        schema: {
          description:
            'From now on nothing goes out: no task is issued, no text given out, no link made; links answer 503, downloads that run are reset, deadlines stand still. Reports are taken in.',
          body: z.strictObject({ reason: z.string().min(1).max(NOTE_MAX) }),
          response: { 200: HoldView, ...changeProblems(409) },
        },
      },
      async (request) => {
        await deps.hold.set(request.actor, request.body)
        return view()
      },
    )
    app.post(
      '/hold/release',
      {
        onRequest: requireRole('integrate'),
        schema: {
          description:
            '`acknowledge` repeats the numbers of GET /hold. Deadlines of open tasks then lie later by the length of the hold.',
          body: z.strictObject({ note: z.string().min(1).max(NOTE_MAX), acknowledge: Numbers }),
          response: { 200: HoldView, ...changeProblems(409) },
        },
      },
      async (request) => {
        await deps.hold.release(request.actor, request.body)
        return view()
      },
    )
  }
}
