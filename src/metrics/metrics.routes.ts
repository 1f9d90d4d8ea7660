// The page that a scraper reads. What it says helps whoever plans an attack, and the office side may be proxied: so it
// asks for a key that may read (scrapers send one), unless the setting says that the network is guard enough.
import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { problems, type ZodApp } from '../http/zod-routes.js'
import { EXPOSITION_TYPE } from './metric-set.js'

export function metricsRoutes(deps: { open: boolean; text: () => Promise<string> }): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get(
      '/metrics',
      {
        ...(deps.open ? {} : { onRequest: requireRole('read') }),
        schema: {
          description:
            'Metrics in the Prometheus text format. A key that may read, or none with FIRMHAND_METRICS_OPEN.',
          ...(deps.open && { security: [] }),
          response: { 200: { content: { 'text/plain': { schema: z.string() } } }, ...problems() },
        },
      },
      async (_request, reply) =>
        reply
          .type(EXPOSITION_TYPE)
          .serializer(String)
          .send(await deps.text()),
    )
  }
}
