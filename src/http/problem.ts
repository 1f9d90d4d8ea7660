// The only place where an error becomes an answer: RFC 9457 problem documents from the table in errors.ts.
import type { FastifyError, FastifyInstance, FastifyReply, FastifyRequest } from 'fastify'
import { hasZodFastifySchemaValidationErrors, isResponseSerializationError } from 'fastify-type-provider-zod'
import { z } from 'zod'
import { AppError, type FieldFault, PROBLEMS, type ProblemCode } from '../errors.js'

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

export interface Problem {
  type: string
  title: string
  status: number
  code: ProblemCode
  detail: string
  instance: string
  [extra: string]: unknown
}

export function problemOf(error: AppError, instance: string): Problem {
  const { status, title } = PROBLEMS[error.code]
  return {
    ...error.extra,
    type: `/problems/${error.code}`,
    title,
    status,
    code: error.code,
    detail: error.message,
    instance,
  }
}

const FASTIFY_CODES: Record<string, ProblemCode> = {
  FST_ERR_CTP_BODY_TOO_LARGE: 'body-too-large',
  FST_ERR_CTP_INVALID_MEDIA_TYPE: 'media-type-unknown',
  FST_ERR_CTP_EMPTY_JSON_BODY: 'body-unreadable',
  FST_ERR_CTP_INVALID_JSON_BODY: 'body-unreadable',
  FST_ERR_CTP_INVALID_CONTENT_LENGTH: 'body-unreadable',
  FST_ERR_ASYNC_CONSTRAINT: 'route-unknown',
  FST_ERR_BAD_URL: 'route-unknown',
}

/** What was thrown, as what the caller may know. Anything unforeseen is `internal`; its text stays in the log. */
function explain(thrown: unknown): AppError {
  if (thrown instanceof AppError) return thrown
  if (hasZodFastifySchemaValidationErrors(thrown)) {
    const errors: FieldFault[] = thrown.validation.map((fault) => ({
      pointer: `${thrown.validationContext === 'body' ? '' : `/${thrown.validationContext ?? ''}`}${fault.instancePath}`,
      detail: fault.message ?? 'is not valid',
    }))
    return new AppError(
      'request-invalid',
      `Correct ${errors.map((fault) => fault.pointer || 'the body').join(', ')}.`,
      { errors },
    )
  }
  const { code, statusCode, message } = thrown as FastifyError
  const known = FASTIFY_CODES[code ?? '']
  if (known) return new AppError(known, message)
  if (thrown instanceof SyntaxError && statusCode === 400)
    return new AppError('body-unreadable', 'The body is not JSON.')
  if (statusCode === 400 && !isResponseSerializationError(thrown)) return new AppError('body-unreadable', message)
  return new AppError('internal', 'The server failed; the log says why, under the instance given here.')
}

function send(reply: FastifyReply, error: AppError, instance: string): FastifyReply {
  const problem = problemOf(error, instance)
  if (problem.status === 401) void reply.header('www-authenticate', 'Bearer')
  return reply.code(problem.status).type('application/problem+json').serializer(JSON.stringify).send(problem)
}

export function installProblems(app: FastifyInstance): void {
  app.setErrorHandler((thrown: unknown, request: FastifyRequest, reply: FastifyReply) => {
    const error = explain(thrown)
    if (PROBLEMS[error.code].status >= 500) request.log.error({ err: thrown }, 'request failed')
    return send(reply, error, request.id)
  })
  app.setNotFoundHandler((request, reply) =>
    send(
      reply,
      new AppError('route-unknown', `There is nothing at ${request.method} ${request.url.split('?')[0]}.`),
      request.id,
    ),
  )
}
