// The office listener: API, its document and reference page, health.
import swagger from '@fastify/swagger'
import swaggerUi from '@fastify/swagger-ui'
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
import { createHttpApp } from '../http/app.driver.js'
import { healthRoutes, type NotReady } from '../http/health.routes.js'
import { problemRoutes } from '../http/problem.routes.js'
import { contentSecurityPolicy } from '../http/security-headers.driver.js'
import { limitSlowBodies } from '../http/slow-bodies.js'
import { minimiseWhileStopping } from '../http/stopping.js'
import type { ZodApp } from '../http/zod-routes.js'
import { linkRoutes } from '../links/link.routes.js'
import type { Logger } from '../logger.js'
import { metricsRoutes } from '../metrics/metrics.routes.js'
import { modelRoutes } from '../models/model.routes.js'
import { packageRoutes } from '../packages/package.routes.js'
import { handReportRoutes } from '../sheets/hand-report.routes.js'
import { sheetRoutes } from '../sheets/sheet.routes.js'
import { taskRoutes } from '../tasks/task.routes.js'
import type { ViewSettings } from '../tasks/task-view.store.js'
import { timelineRoutes } from '../timeline/timeline.routes.js'
import { unitRoutes } from '../units/unit.routes.js'
import { requireUnit } from '../units/unit.service.js'
import { unitListRoutes } from '../units/unit-list.routes.js'
import { upkeepRoutes } from '../upkeep/upkeep.routes.js'
import { apiDocument } from './api-document.js'
import type { RemoteServices } from './remote-services.js'

export interface OfficeDeps {
  read: Db
  clock: Clock
  log: Logger
  services: RemoteServices
  disk: DiskStore
  hub: Hub
  serverId: string
  dataFolder: string
  settings: ViewSettings
  startMark: string
  isStopping: () => boolean
  notReady: () => Promise<NotReady[]>
  metrics: { open: boolean; text: () => Promise<string> }
}

export interface OfficeApp {
  app: ZodApp
  /** Ends the streams that would never end by themselves. */
  endStreams: () => void
}

export async function createOfficeApp(deps: OfficeDeps): Promise<OfficeApp> {
  const app = await createHttpApp(deps)
  const { isStopping } = deps
  const endStreams = minimiseWhileStopping(app as never, { isStopping, streams: ['/api/v1/events'] })
  limitSlowBodies(app as never)
  authenticate(app as never, { read: deps.read, clock: deps.clock, via: 'api' })
  await app.register(swagger, apiDocument(deps.settings.publicUrl))
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
  await app.register(problemRoutes())
  await app.register(
    healthRoutes({
      startMark: deps.startMark,
      notReady: deps.notReady,
      isOnHold: async () => (await findHold(deps.read)) !== null,
    }),
  )
  await app.register(metricsRoutes(deps.metrics))
  await app.register(async (api) => registerApi(api as unknown as ZodApp, deps), { prefix: '/api/v1' })
  await app.ready()
  return { app, endStreams }
}

async function registerApi(api: ZodApp, deps: OfficeDeps): Promise<void> {
  const { read, clock, services, settings } = deps
  await api.register(accessRoutes({ read, clock, access: services.access, serverSecret: settings.serverSecret }))
  await api.register(modelRoutes({ read, models: services.models }))
  await api.register(packageRoutes({ read, clock, disk: deps.disk, packages: services.packages }))
  await api.register(unitRoutes({ read, units: services.units }))
  await api.register(unitListRoutes({ read, clock, dataFolder: deps.dataFolder, imports: services.unitImports }))
  await api.register(linkRoutes({ read, clock, links: services.links, settings }))
  await api.register(taskRoutes({ read, clock, tasks: services.tasks, settings }))
  await api.register(checkinRoutes({ checkins: services.checkins, listener: 'office' }))
  await api.register(handReportRoutes({ read, clock, handReports: services.handReports, settings }))
  await api.register(sheetRoutes({ read, clock, settings }))
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
