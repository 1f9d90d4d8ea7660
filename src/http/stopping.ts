// What a listener does while the server stops: who asks whether it is ready is told so, what runs may end, what would
// change something is refused, and streams that never end by themselves are ended.
import type { FastifyInstance } from 'fastify'
import { AppError } from '../errors.js'

/** @returns ends the streams that are open now. */
export function minimiseWhileStopping(
  app: FastifyInstance,
  given: { isStopping: () => boolean; streams: readonly string[] },
): () => void {
  const open = new Set<{ end: () => void }>()
  app.addHook('onRequest', async (request, reply) => {
    const isStream = given.streams.includes(request.routeOptions.url ?? '')
    if (given.isStopping()) {
      void reply.header('connection', 'close')
      if (isStream || (request.method !== 'GET' && request.method !== 'HEAD')) {
        throw new AppError('not-ready', 'The server is stopping. Try again in a moment.')
      }
    } else if (isStream) {
      open.add(reply.raw)
      reply.raw.once('close', () => open.delete(reply.raw))
    }
  })
  return () => {
    for (const stream of open) stream.end()
  }
}
