// A fastify instance of this house: zod schemas, problem documents, bounded and redacted.
import cookie from '@fastify/cookie'
import { fastify, LogController } from 'fastify'
import { serializerCompiler, validatorCompiler } from 'fastify-type-provider-zod'
import type { Clock } from '../clock.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import type { Logger } from '../logger.js'
import { answerBrokenRequest, answerFrameworkError, installProblems } from './problem.js'
import { requestLog } from './request-log.driver.js'
import { securityHeaders } from './security-headers.driver.js'
import { textFault } from './stored-text.js'
import type { ZodApp } from './zod-routes.js'

declare module 'fastify' {
  interface FastifyContextConfig {
    /** The route judges the parts of its body one by one, text that cannot be stored among them. */
    itemwise?: boolean
  }
}

/** JSON bodies; routes that take more say so themselves. */
export const BODY_MAX_BYTES = 1024 * 1024
/** For a whole request to arrive; uploads are streams and lift it for themselves. */
const HEADERS_TIMEOUT_MS = 60_000

export async function createHttpApp(deps: { log: Logger; clock: Clock }): Promise<ZodApp> {
  const app = fastify({
    loggerInstance: deps.log,
    // One line a request at level debug, below; the stock lines carry whole addresses, and links with them.
    logController: new LogController({ disableRequestLogging: true }),
    bodyLimit: BODY_MAX_BYTES,
    requestTimeout: 0,
    keepAliveTimeout: 72_000,
    childLoggerFactory: requestLog,
    genReqId: () => newId('r', deps.clock()),
    // Nothing here believes what a proxy says of the client; addresses are only shown.
    trustProxy: false,
    return503OnClosing: false,
    forceCloseConnections: 'idle',
    // The schemas bound what stands in an address, and say so better than "not found".
    routerOptions: { maxParamLength: 2000 },
    frameworkErrors: answerFrameworkError,
    clientErrorHandler: answerBrokenRequest(() => newId('r', deps.clock())),
  }) as unknown as ZodApp
  app.server.headersTimeout = HEADERS_TIMEOUT_MS
  app.removeContentTypeParser('text/plain') // Nothing here takes bare text: 415 rather than a riddle about its type.
  app.setValidatorCompiler(validatorCompiler)
  app.setSerializerCompiler(serializerCompiler)
  app.decorateRequest('key', null)
  app.decorateRequest('actor', null as never)
  app.decorateRequest('csrfMissing', false)
  app.decorateRequest('foreignPage', false)
  installProblems(app as never)
  await app.register(cookie)
  const headers = await securityHeaders()
  // Hooks without promises: these run with every request.
  app.addHook('onRequest', (_request, reply, done) => {
    reply.headers(headers)
    done()
  })
  app.addHook('preValidation', (request, _reply, done) => {
    const fault = request.routeOptions.config.itemwise ? null : textFault(request.body)
    if (!fault) return done()
    done(new AppError('request-invalid', `Correct ${fault.pointer}: it ${fault.detail}.`, { errors: [fault] }))
  })
  if (deps.log.isLevelEnabled('debug')) {
    app.addHook('onResponse', async (request, reply) => {
      request.log.debug(
        {
          method: request.method,
          path: request.url.split('?')[0],
          status: reply.statusCode,
          ms: Math.round(reply.elapsedTime),
        },
        'answered',
      )
    })
  }
  return app
}

/** What a request that is under way may still take when the server stops. */
const GRACE_MS = 3000

/**
 * Lets running requests end, then cuts what is left: idle connections, event streams, clients that do not read.
 * @param graceMs what they get at most; never less than a short answer needs
 */
export async function closeHttp(app: ZodApp, graceMs = 0): Promise<void> {
  const cut = setTimeout(() => app.server.closeAllConnections(), Math.max(graceMs, GRACE_MS))
  app.server.closeIdleConnections()
  await app.close()
  clearTimeout(cut)
}
