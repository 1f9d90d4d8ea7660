// The office listener: API, its document and reference page, health.
import swagger from '@fastify/swagger'
import swaggerUi from '@fastify/swagger-ui'
import { jsonSchemaTransform, jsonSchemaTransformObject } from 'fastify-type-provider-zod'
import { z } from 'zod'
import { accessRoutes } from '../access/access.routes.js'
import { authenticate } from '../access/authenticate.service.js'
import { requireRole } from '../access/require-role.js'
import { auditRoutes } from '../audit/audit.routes.js'
import type { DiskStore } from '../blobs/disk.driver.js'
import { checkinRoutes } from '../checkins/checkin.routes.js'
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { eventRoutes } from '../events/event.routes.js'
import type { Hub } from '../events/hub.js'
import { holdRoutes } from '../hold/hold.routes.js'
import { findHold } from '../hold/hold.store.js'
import { contentSecurityPolicy, createHttpApp } from '../http/app.driver.js'
import type { ZodApp } from '../http/zod-routes.js'
import { linkRoutes } from '../links/link.routes.js'
import type { Logger } from '../logger.js'
import { modelRoutes } from '../models/model.routes.js'
import { packageRoutes } from '../packages/package.routes.js'
import { taskRoutes } from '../tasks/task.routes.js'
import type { ViewSettings } from '../tasks/task-view.store.js'
import { timelineRoutes } from '../timeline/timeline.routes.js'
import { unitRoutes } from '../units/unit.routes.js'
import { requireUnit } from '../units/unit.service.js'
import { upkeepRoutes } from '../upkeep/upkeep.routes.js'
import type { RemoteServices } from './services.js'

export interface OfficeDeps {
  read: Db
  clock: Clock
  log: Logger
  services: RemoteServices
  disk: DiskStore
  hub: Hub
  serverId: string
  settings: ViewSettings
  /** Whether all threads are up and none is stopping. */
  ready: () => boolean
}

export async function createOfficeApp(deps: OfficeDeps): Promise<ZodApp> {
  const app = await createHttpApp(deps)
  authenticate(app as never, { read: deps.read, clock: deps.clock, via: 'api' })
  await app.register(swagger, {
    openapi: {
      openapi: '3.1.0',
      info: {
        title: 'Firmhand',
        version: '0.1.0',
        description:
          'Distribution server for the firmware of vehicle cameras. Times are RFC 3339 UTC with milliseconds, sizes are bytes, spans inclusive. Failures are RFC 9457 problem documents: rely on `code`.',
      },
      components: { securitySchemes: { key: { type: 'http', scheme: 'bearer' } } },
      security: [{ key: [] }],
    },
    transform: transformWithTag,
    transformObject: jsonSchemaTransformObject,
  })
  await app.register(async (child) => {
    // The reference page brings routes with JSON schemas of its own: they keep the stock compilers, in their own scope.
    child.setValidatorCompiler(() => () => true)
    child.setSerializerCompiler(() => (data) => JSON.stringify(data))
    await child.register(swaggerUi, {
      routePrefix: '/reference',
      staticCSP: true,
      // The plugin's own policy sends everything to https and allows a host outside; ours does neither.
      transformStaticCSP: () => contentSecurityPolicy(),
      uiConfig: { validatorUrl: null },
      theme: {
        title: 'Firmhand API',
        css: [{ filename: 'firmhand.css', content: '.swagger-ui .topbar { display: none }' }],
      },
    })
  })
  app.get('/openapi.json', { schema: { hide: true } as object }, async () => app.swagger())
  const Ok = z.object({ ok: z.boolean() })
  app.get('/healthz', { schema: { response: { 200: Ok }, security: [] } }, async () => ({ ok: true }))
  // On hold the server is ready: it answers, it takes reports in; that nothing goes out is what somebody asked for.
  const Ready = Ok.extend({ onHold: z.boolean() })
  app.get('/readyz', { schema: { response: { 200: Ready, 503: Ready }, security: [] } }, async (_request, reply) => {
    const ok = deps.ready()
    const onHold = ok && (await findHold(deps.read)) !== null
    return reply.code(ok ? 200 : 503).send({ ok, onHold })
  })
  await app.register(async (api) => registerApi(api as unknown as ZodApp, deps), { prefix: '/api/v1' })
  await app.ready()
  return app
}

/** Groups the routes by the noun of their address, so that the reference page reads like a table of contents. */
const transformWithTag: typeof jsonSchemaTransform = (input) => {
  const { schema, url } = jsonSchemaTransform(input)
  const noun = url.replace('/api/v1', '').split('/')[1] || 'server'
  const tag = ['healthz', 'readyz'].includes(noun) ? 'server' : noun
  return { url, schema: { ...schema, ...(!schema.hide && { tags: [tag] }) } }
}

async function registerApi(api: ZodApp, deps: OfficeDeps): Promise<void> {
  const { read, clock, services, settings } = deps
  await api.register(accessRoutes({ read, clock, access: services.access, serverSecret: settings.serverSecret }))
  await api.register(modelRoutes({ read, models: services.models }))
  await api.register(packageRoutes({ read, clock, disk: deps.disk, packages: services.packages }))
  await api.register(unitRoutes({ read, units: services.units }))
  await api.register(linkRoutes({ links: services.links, settings }))
  await api.register(taskRoutes({ read, clock, tasks: services.tasks, settings }))
  await api.register(checkinRoutes({ checkins: services.checkins, listener: 'office' }))
  await api.register(timelineRoutes({ read }))
  await api.register(eventRoutes({ read, clock, hub: deps.hub }))
  await api.register(
    auditRoutes({
      read,
      clock,
      audit: services.audit,
      serverId: deps.serverId,
      mayRead: requireRole('read'),
      unitId: async (name) => (await requireUnit({ db: read }, name)).id,
    }),
  )
  await api.register(upkeepRoutes({ read, scrub: services.scrub, retention: services.retention }))
  await api.register(holdRoutes({ read, clock, hold: services.hold }))
}
