// Whether the server lives (cheap, both listeners), and whether it can do its work (office side only).
import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { AppError } from '../errors.js'
import { ProblemView } from './problem.js'
import type { ZodApp } from './zod-routes.js'

/** The header field in which both listeners show the mark of their start: by it the doctor knows them. No secret. */
export const START_FIELD = 'Firmhand-Start'

/** Why the server cannot do its work at the moment; the codes stay, the words are free. */
export interface NotReady {
  code: 'stopping' | 'writer-silent' | 'database-refused' | 'public-silent' | 'disk-full'
  detail: string
}

const Ok = z.object({ ok: z.literal(true) })
/** On hold the server is ready: it answers and takes reports in; that nothing goes out is what somebody asked for. */
const Ready = Ok.extend({ onHold: z.boolean() })

export function healthRoutes(deps: {
  startMark: string
  /** Office side: empty where all is well. */
  notReady?: () => Promise<NotReady[]>
  isOnHold?: () => Promise<boolean>
}): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get('/healthz', { schema: { response: { 200: Ok }, security: [] } }, async (_request, reply) => {
      void reply.header(START_FIELD, deps.startMark)
      return { ok: true as const }
    })
    const { notReady, isOnHold } = deps
    if (!notReady) return
    app.get(
      '/readyz',
      {
        schema: {
          description: 'Asks the writing and the public thread and looks at the disk. 503 names the `reasons`.',
          response: { 200: Ready, 503: ProblemView },
          security: [],
        },
      },
      async (_request, reply) => {
        void reply.header('cache-control', 'no-store')
        const reasons = await notReady()
        if (reasons.length > 0) {
          throw new AppError('not-ready', reasons.map(({ detail }) => detail).join(' '), { reasons })
        }
        return { ok: true as const, onHold: (await isOnHold?.()) ?? false }
      },
    )
  }
}
