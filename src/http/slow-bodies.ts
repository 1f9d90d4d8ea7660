// A client that sends or reads nothing any more holds a connection, and what its answer is made from, for ever.
// A body that trickles in for ever holds a connection and, while it is stopped, the server. Bodies of a known bound have
// a time as a whole; streams of any size (packages, imports) only have to go on: a large file may take hours.
import type { FastifyInstance } from 'fastify'
import { AppError } from '../errors.js'

/** A whole JSON body, some MiB at most, over the slowest line of an office. */
const BODY_MS = 120_000
/** Between two pieces of a stream, in either direction. */
const SILENCE_MS = 120_000
/** Routes that take more than this take streams. */
const BOUNDED_BODY_MAX_BYTES = 8 * 1024 * 1024

export function limitSlowBodies(app: FastifyInstance, limits: { bodyMs?: number; silenceMs?: number } = {}): void {
  const { bodyMs = BODY_MS, silenceMs = SILENCE_MS } = limits
  app.addHook('onSend', async (_request, reply) => {
    // Any byte that the client takes starts the time anew; once it has all, the server's own time for idle ones counts.
    reply.raw.setTimeout(silenceMs, () => void reply.raw.destroy())
  })
  app.addHook('onRequest', async (request, reply) => {
    const { raw } = request
    if (raw.complete || (raw.headers['content-length'] ?? '0') === '0') {
      if (raw.headers['transfer-encoding'] === undefined) return
    }
    if ((request.routeOptions.bodyLimit ?? 0) > BOUNDED_BODY_MAX_BYTES) {
      const { socket } = raw
      // Any byte, in either direction, starts the time anew.
      raw.setTimeout(silenceMs, () => void raw.destroy())
      // From then on the connection is the server's own again, with its time for a kept-alive one.
      raw.once('end', () => !reply.raw.writableFinished && socket.setTimeout(0))
      return
    }
    const timer = setTimeout(() => {
      const late = new AppError('request-timeout', 'The body did not arrive in time. Send it again, as a whole.')
      // Whoever reads the body answers by it; where nobody does, the connection ends.
      if (raw.listenerCount('error') > 0) raw.emit('error', late)
      else raw.destroy()
    }, bodyMs)
    const done = () => clearTimeout(timer)
    raw.once('end', done)
    raw.once('close', done)
  })
}
