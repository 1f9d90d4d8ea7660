// The API's description (OpenAPI 3.1), made from the routes themselves: schemas, guards and the table of problems. What
// every call shares is added here once, so that a new route is described whole.
import type { FastifyDynamicSwaggerOptions } from '@fastify/swagger'
import { jsonSchemaTransform, jsonSchemaTransformObject } from 'fastify-type-provider-zod'
import { may, ROLES } from '../access/roles.js'
import { VERSION } from '../config.js'
import { PROBLEMS, type ProblemCode } from '../errors.js'
import { needOf, type RouteNeed } from '../http/route-need.js'
import { EXAMPLES, problemExample } from './api-examples.js'
import { publicPaths } from './api-public-paths.js'
import { operationName } from './operation-name.js'

// biome-ignore lint/suspicious/noExplicitAny: JSON of the published form, built and read member by member
type Json = any

const DESCRIPTION = `Distribution server for the firmware of vehicle cameras. Times are RFC 3339 UTC with milliseconds, sizes are bytes, spans inclusive. Failures are RFC 9457 problem documents: rely on \`code\`; their \`type\` leads to what it means. Limits, cursors, repeats and streams: docs/api.md.`

const CHANGES = ['post', 'put', 'patch', 'delete']
const KEY = { key: [] }
const SESSION = { session: [] }
const SESSION_CHANGE = { session: [], csrf: [] }

/** Who may, by the guard that the route has. */
export const rolesFor = (need: RouteNeed): string[] => {
  if (need === 'any-key') return [...ROLES]
  if (need === 'report') return ['check-in']
  return ROLES.filter((role) => may(role, need))
}

export function apiDocument(publicUrl: string | null): FastifyDynamicSwaggerOptions {
  return {
    openapi: {
      openapi: '3.1.0',
      info: { title: 'Firmhand', version: VERSION, description: DESCRIPTION },
      servers: [{ url: '/', description: 'The office listener' }],
      components: {
        securitySchemes: {
          key: { type: 'http', scheme: 'bearer', description: 'A key made by POST /keys or `firmhand key add`' },
          session: {
            type: 'apiKey',
            in: 'cookie',
            name: 'firmhand_session',
            description: 'For browsers: set by POST /session, for 12 h',
          },
          csrf: {
            type: 'apiKey',
            in: 'header',
            name: 'X-CSRF-Token',
            description: 'A session’s changes only: `csrfToken` of the answer of POST /session',
          },
        },
      },
      security: [KEY],
    },
    transform: describeRoute as never,
    transformObject: (input) => complete(jsonSchemaTransformObject(input as never) as Json, publicUrl),
  }
}

/** What the route alone knows: its guard, its address, its method. */
function describeRoute(input: Json): Json {
  const { schema, url } = jsonSchemaTransform(input) as Json
  if (!schema || schema.hide) return { schema, url }
  const { method, onRequest } = input.route
  const need = needOf(onRequest)
  const noun = url.replace('/api/v1', '').split('/')[1] || 'server'
  const isChange = CHANGES.includes(String(method).toLowerCase())
  const access = need && {
    security: [KEY, isChange ? SESSION_CHANGE : SESSION],
    'x-firmhand-role': rolesFor(need),
    description: [schema.description, `Roles: ${rolesFor(need).join(', ')}.`].filter(Boolean).join(' '),
  }
  return {
    url,
    schema: {
      ...schema,
      tags: schema.tags ?? [['healthz', 'readyz', 'metrics'].includes(noun) ? 'server' : noun],
      operationId: schema.operationId ?? operationName(String(method), url),
      security: [],
      ...access,
    },
  }
}

/** What all have in common. */
function complete(document: Json, publicUrl: string | null): Json {
  const tags = new Set<string>()
  for (const methods of Object.values<Json>(document.paths)) {
    for (const [method, operation] of Object.entries<Json>(methods)) {
      for (const tag of operation.tags) tags.add(tag)
      if (CHANGES.includes(method) && operation['x-firmhand-role']) addIdempotencyKey(operation)
      addBodies(operation)
      for (const [status, answer] of Object.entries<Json>(operation.responses)) describeAnswer(document, status, answer)
    }
  }
  for (const [name, examples] of Object.entries(EXAMPLES)) {
    const schema = document.components.schemas[name]
    if (schema) schema.examples = examples
  }
  Object.assign(document.paths, publicPaths(document, publicUrl))
  document.tags = [...tags, 'public'].sort().map((name) => ({ name }))
  return document
}

function addIdempotencyKey(operation: Json): void {
  operation.parameters = [
    ...(operation.parameters ?? []),
    {
      in: 'header',
      name: 'Idempotency-Key',
      required: false,
      description: 'Kept for 24 h per key: the same request again gets the first answer, another one 422.',
      schema: { type: 'string', minLength: 1, maxLength: 200 },
    },
  ]
}

/** Bodies that are no JSON: their schema says only that they are text or bytes. */
function addBodies(operation: Json): void {
  const media = operation['x-firmhand-body'] as Record<string, string> | undefined
  delete operation['x-firmhand-body']
  for (const [type, description] of Object.entries(media ?? {})) {
    operation.requestBody ??= { required: true, content: {} }
    const isText = /^text\/|ndjson|csv/.test(type)
    operation.requestBody.content[type] = { schema: isText ? { type: 'string', description } : { description } }
  }
}

const SUCCESS: Record<string, string> = { 200: 'Done', 201: 'Made', 204: 'Done; no body' }

/** The codes of a status, as the table of problems has them. */
const codesOf = (status: number): ProblemCode[] =>
  (Object.keys(PROBLEMS) as ProblemCode[]).filter((code) => PROBLEMS[code].status === status)

/** Whether it is our problem document, or one with more members. */
function isProblem(document: Json, schema: Json): boolean {
  const name = /^#\/components\/schemas\/(.+)$/.exec(schema?.$ref ?? '')?.[1]
  const { properties } = (name ? document.components.schemas[name] : schema) ?? {}
  return ['type', 'title', 'status', 'code', 'detail'].every((member) => properties?.[member])
}

function describeAnswer(document: Json, status: string, answer: Json): void {
  const stated = answer.description && answer.description !== 'Default Response' ? answer.description : null
  const json = answer.content?.['application/json']
  if (Number(status) >= 400 && isProblem(document, json?.schema)) {
    const codes = codesOf(Number(status))
    answer.description = codes.map((code) => `\`${code}\`: ${PROBLEMS[code].title}.`).join(' ')
    answer.content = { 'application/problem+json': { ...json, example: problemExample(codes[0]!) } }
    if (status === '401') answer.headers = { 'WWW-Authenticate': { schema: { type: 'string', const: 'Bearer' } } }
    if (status === '429') answer.headers = { 'Retry-After': { description: 'Seconds', schema: { type: 'integer' } } }
    return
  }
  answer.description = stated ?? SUCCESS[status] ?? 'Answer'
  if (status === '204') delete answer.content
}
