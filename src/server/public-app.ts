// What the public listener answers besides downloads: check-ins of platforms, and whether the server lives.
import { z } from 'zod'
import { authenticate } from '../access/authenticate.service.js'
import { checkinRoutes } from '../checkins/checkin.routes.js'
import type { CheckinService } from '../checkins/checkin.service.js'
import { checkinQueue } from '../checkins/checkin-queue.driver.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { createHttpApp } from '../http/app.driver.js'
import type { ZodApp } from '../http/zod-routes.js'
import type { Logger } from '../logger.js'
import type { Remote } from '../threads/remote.js'

/** For a whole report to arrive: 5 MiB over the slowest line of a platform. A trickle that never ends holds a socket. */
const REQUEST_TIMEOUT_MS = 600_000

export async function createPublicApp(deps: {
  read: Db
  clock: Clock
  log: Logger
  checkins: Remote<CheckinService>
}): Promise<ZodApp> {
  const app = await createHttpApp(deps)
  // A platform may end its side right behind its report; it still gets its answer. Node has this switch without a type.
  ;(app.server as unknown as { httpAllowHalfOpen: boolean }).httpAllowHalfOpen = true
  app.server.requestTimeout = REQUEST_TIMEOUT_MS
  authenticate(app as never, { read: deps.read, clock: deps.clock, via: 'public' })
  app.get('/healthz', { schema: { response: { 200: z.object({ ok: z.literal(true) }) } } }, async () => ({
    ok: true as const,
  }))
  // Downloads are the byte server's. Only one that a client had sent before its last answer was there comes here: RFC 9110
  // §15.5.20 sends it to a new connection.
  app.all('/d/*', { schema: { hide: true } as object }, (_request, reply) =>
    reply.code(421).header('connection', 'close').header('content-length', '0').send(),
  )
  await app.register(checkinRoutes({ checkins: checkinQueue(deps.checkins), listener: 'public' }))
  await app.ready()
  return app
}
