// The only place where an error becomes an answer: RFC 9457 problem documents from the table in errors.ts.
import type { Socket } from 'node:net'
import type { FastifyError, FastifyInstance, FastifyReply, FastifyRequest } from 'fastify'
import { hasZodFastifySchemaValidationErrors, isResponseSerializationError } from 'fastify-type-provider-zod'
import { z } from 'zod'
import { AppError, type FieldFault, PROBLEMS, type ProblemCode } from '../errors.js'
import { problemOf } from './problem-document.js'
import { pointerPart } from './stored-text.js'

export const ProblemView = z
  .looseObject({
    type: z.string(),
    title: z.string(),
    status: z.number().int(),
    code: z.string(),
    detail: z.string(),
    instance: z.string(),
    errors: z.array(z.object({ pointer: z.string(), detail: z.string() })).optional(),
  })
  .meta({ id: 'Problem', description: 'RFC 9457 problem details. Rely on `code`.' })

const FASTIFY_CODES: Record<string, ProblemCode> = {
  FST_ERR_CTP_BODY_TOO_LARGE: 'body-too-large',
  FST_ERR_CTP_INVALID_MEDIA_TYPE: 'media-type-unknown',
  FST_ERR_CTP_EMPTY_JSON_BODY: 'body-unreadable',
  FST_ERR_CTP_INVALID_JSON_BODY: 'body-unreadable',
  FST_ERR_CTP_INVALID_CONTENT_LENGTH: 'body-unreadable',
  FST_ERR_ASYNC_CONSTRAINT: 'route-unknown',
}

/** Faults named in one answer: whoever has more corrects these first. */
export const FAULTS_MAX = 20

/** Pointers by RFC 6901; a member that should not be there is named itself, not the object around it. */
function fieldFaults(
  base: string,
  fault: { instancePath: string; message?: string | undefined; params?: Record<string, unknown> },
): FieldFault[] {
  // The library writes the whole as "/", which is the member with the empty name.
  const pointer = base + (fault.instancePath === '/' ? '' : fault.instancePath)
  const extra = fault.params?.keys
  if (Array.isArray(extra)) {
    return extra.map((name) => ({ pointer: `${pointer}/${pointerPart(String(name))}`, detail: 'is not known here' }))
  }
  return [{ pointer, detail: fault.message ?? 'is not valid' }]
}

/** What was thrown, as what the caller may know. Anything unforeseen is `internal`; its text stays in the log. */
function explain(thrown: unknown): AppError {
  if (thrown instanceof AppError) return thrown
  if (hasZodFastifySchemaValidationErrors(thrown)) {
    const base = thrown.validationContext === 'body' ? '' : `/${thrown.validationContext ?? ''}`
    const errors = thrown.validation.flatMap((fault) => fieldFaults(base, fault)).slice(0, FAULTS_MAX)
    const where = errors.map((fault) => `${fault.pointer || 'the body'} (${fault.detail})`).join(', ')
    return new AppError('request-invalid', `Correct ${where}.`, { errors })
  }
  const { code, statusCode, message } = thrown as FastifyError
  const known = FASTIFY_CODES[code ?? '']
  if (known) return new AppError(known, message)
  if (thrown instanceof SyntaxError && statusCode === 400)
    return new AppError('body-unreadable', 'The body is not JSON: check quoting and encoding (UTF-8).')
  if (statusCode === 400 && !isResponseSerializationError(thrown)) return new AppError('body-unreadable', message)
  // What the framework and its plugins refuse by themselves is the caller's doing: no fault of ours, no line in the log.
  if (statusCode === 403 || statusCode === 404)
    return new AppError('route-unknown', 'There is nothing at this address: compare it with /openapi.json.')
  if (statusCode === 414) return new AppError('request-invalid', 'The address is too long.')
  return new AppError('internal', 'The server failed; the log says why, under the instance given here.')
}

function send(reply: FastifyReply, error: AppError, instance: string): FastifyReply {
  const problem = problemOf(error, instance)
  if (problem.status === 401) void reply.header('www-authenticate', 'Bearer')
  return reply.code(problem.status).type('application/problem+json').serializer(JSON.stringify).send(problem)
}

/** A route as it was registered; a path with another method is told which ones there are. */
export interface KnownRoute {
  methods: string[]
  url: string
  pattern: RegExp
}

declare module 'fastify' {
  interface FastifyInstance {
    /** Every route of this instance. */
    routeTable: readonly KnownRoute[]
  }
}

/** A full disk is said once in this time: the log may lie on that disk, and every request would add a line to it. */
const DISK_QUIET_MS = 60_000

export function installProblems(app: FastifyInstance): void {
  let diskQuietUntilMs = 0
  app.setErrorHandler((thrown: unknown, request: FastifyRequest, reply: FastifyReply) => {
    const error = explain(thrown)
    // That there is too much at the moment is no fault, and would fill the log just then.
    if (error.code === 'not-ready') request.log.debug({ code: error.code }, 'request refused')
    else if (error.code === 'storage-full') {
      if (performance.now() >= diskQuietUntilMs) {
        diskQuietUntilMs = performance.now() + DISK_QUIET_MS
        request.log.error({ err: thrown }, 'the disk is full')
      }
    } else if (PROBLEMS[error.code].status >= 500) request.log.error({ err: thrown }, 'request failed')
    return send(reply, error, request.id)
  })
  const known: KnownRoute[] = []
  app.decorate('routeTable', known)
  app.addHook('onRoute', ({ method, url }) => {
    known.push({ methods: [method].flat(), url, pattern: patternOf(url) })
  })
  app.setNotFoundHandler((request, reply) => {
    const path = request.url.split('?')[0]!
    const methods = [...new Set(known.flatMap(({ methods, pattern }) => (pattern.test(path) ? methods : [])))].sort()
    if (methods.length === 0) {
      return send(
        reply,
        new AppError('route-unknown', `There is nothing at ${request.method} ${path}: compare it with /openapi.json.`),
        request.id,
      )
    }
    // RFC 9110 §15.5.6: the answer must say what would be taken.
    void reply.header('allow', methods.join(', '))
    const detail = `${path} takes ${methods.join(', ')}, not ${request.method}.`
    return send(reply, new AppError('method-not-allowed', detail), request.id)
  })
}

/** A route's address with its places `:name` and its tail `*`. */
const patternOf = (url: string): RegExp =>
  new RegExp(
    `^${url
      .replace(/[.+?^${}()|[\]\\]/g, '\\$&')
      .replace(/:\w+/g, '[^/]+')
      .replaceAll('*', '.*')}$`,
  )

/** For what is refused before a route is looked for: an address that cannot be decoded. */
export function answerFrameworkError(error: FastifyError, request: FastifyRequest, reply: FastifyReply): FastifyReply {
  const badUrl = new AppError('request-invalid', 'The address holds a % that begins no escape: write it as %25.')
  return send(reply, error.code === 'FST_ERR_BAD_URL' ? badUrl : explain(error), request.id)
}

/** For what is no HTTP request at all: an unknown method, a head that is too large or cannot be read. */
export const answerBrokenRequest =
  (newInstance: () => string) =>
  (error: Error & { code?: string }, socket: Socket): void => {
    if (error.code === 'ECONNRESET' || socket.destroyed) return
    const problem = problemOf(
      new AppError(
        'request-invalid',
        'This is no HTTP request that the server can read. Check method and header fields.',
      ),
      newInstance(),
    )
    const body = JSON.stringify(problem)
    if (socket.writable) {
      socket.write(
        `HTTP/1.1 400 Bad Request\r\nContent-Type: application/problem+json\r\nContent-Length: ${Buffer.byteLength(body)}\r\nConnection: close\r\n\r\n${body}`,
      )
    }
    socket.destroySoon()
  }
