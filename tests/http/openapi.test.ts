// The API's description is a document of its standards (OpenAPI 3.1.0; JSON Schema 2020-12), whole, and its examples hold.
import Ajv2020 from 'ajv/dist/2020.js'
import addFormats from 'ajv-formats'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { ROLES } from '../../src/access/roles.js'
import { PROBLEMS } from '../../src/errors.js'
import { operationName } from '../../src/server/operation-name.js'
import { startTestApp, type TestApp } from '../support/app.js'
import { METHODS, type Operation, readAll, type Schema } from './openapi.js'

let test: TestApp
let document: Schema
let operations: Operation[]
beforeAll(async () => {
  test = await startTestApp()
  ;({ document, operations } = await readAll(test.officeUrl))
})
afterAll(() => test.stop())

const itemOf = ({ path, method }: Operation): Schema => document.paths[path][method]
const nameOf = ({ path, method }: Operation): string => `${method} ${path}`
const api = () => operations.filter(({ path }) => path.startsWith('/api/'))

/** Every schema of the document, with where it stands and the examples beside it. */
function* schemasOf(): Generator<{ place: string; schema: Schema; examples: unknown[] }> {
  for (const [name, schema] of Object.entries<Schema>(document.components.schemas))
    yield { place: `#/components/schemas/${name}`, schema, examples: schema.examples ?? [] }
  for (const operation of operations) {
    const place = nameOf(operation)
    for (const { name, schema } of operation.parameters) yield { place: `${place} ${name}`, schema, examples: [] }
    const bodies = Object.entries<Schema>(itemOf(operation).requestBody?.content ?? {})
    const answers = Object.entries(operation.responses).flatMap(([status, { content }]) =>
      Object.entries<Schema>(content ?? {}).map(([type, value]) => [`${status} ${type}`, value] as const),
    )
    for (const [type, media] of [...bodies, ...answers]) {
      const named = Object.values<Schema>(media.examples ?? {}).map((example) => example.value)
      const single = media.example === undefined ? [] : [media.example]
      yield { place: `${place} ${type}`, schema: media.schema, examples: [...named, ...single] }
    }
  }
}

function newAjv() {
  // `strict: false`: words of OpenAPI such as `example` are no errors of a schema.
  const ajv = new Ajv2020.default({ strict: false, allErrors: true })
  addFormats.default(ajv)
  ajv.addSchema(document, 'doc')
  return ajv
}

/** The value a reference leads to (RFC 6901 behind a #). */
const lookUp = (reference: string): unknown =>
  reference
    .slice(2)
    .split('/')
    .reduce((at: Schema, name) => at?.[name.replaceAll('~1', '/').replaceAll('~0', '~')], document)

describe('the description', () => {
  it('has only schemas of JSON Schema 2020-12 whose references lead somewhere', () => {
    const ajv = newAjv()
    for (const { place, schema } of schemasOf()) {
      expect(ajv.validateSchema(schema), `${place}: ${ajv.errorsText()}`).toBe(true)
      for (const [, reference] of JSON.stringify(schema).matchAll(/"\$ref":"([^"]+)"/g))
        expect(lookUp(reference!), `${place} ${reference}`).toBeDefined()
    }
    // The negative half: the check sees a schema that is none.
    expect(ajv.validateSchema({ type: 'nothing' })).toBe(false)
  })

  it('gives examples that hold by their own schemas, for a start to every thing that a platform sends or reads', () => {
    const ajv = newAjv()
    const compiled = new Map<string, ReturnType<typeof ajv.compile>>()
    let seen = 0
    for (const { place, schema, examples } of schemasOf()) {
      const text = JSON.stringify(schema).replaceAll('"#/', '"doc#/')
      if (examples.length === 0) continue
      const check = compiled.get(text) ?? ajv.compile(JSON.parse(text))
      compiled.set(text, check)
      for (const example of examples) {
        expect(check(example), `${place}: ${ajv.errorsText(check.errors)}`).toBe(true)
        seen += 1
      }
    }
    expect(seen).toBeGreaterThan(100)
    for (const name of ['Checkin', 'CheckinResults', 'Key', 'Link', 'Skip', 'Problem'])
      expect(document.components.schemas[name].examples?.length, name).toBeGreaterThan(0)
    expect(ajv.validate({ $ref: 'doc#/components/schemas/Checkin' }, { version: 'no unit' })).toBe(false)
  })

  // OpenAPI Specification 3.1.0, §4.8: members that are needed, those that may be there, and what must be unique.
  it('is built as OpenAPI 3.1.0 wants it', () => {
    expect(document.openapi).toMatch(/^3\.1\.\d+$/)
    const ROOT = ['openapi', 'info', 'jsonSchemaDialect', 'servers', 'paths', 'webhooks', 'components', 'security']
    expect([...ROOT, 'tags', 'externalDocs']).toEqual(expect.arrayContaining(Object.keys(document)))
    expect(document.info).toMatchObject({ title: expect.any(String), version: expect.any(String) })
    for (const name of Object.keys(document.components.schemas)) expect(name).toMatch(/^[a-zA-Z0-9._-]+$/)
    const templates = Object.keys(document.paths).map((path) => path.replaceAll(/\{\w+\}/g, '{}'))
    expect(new Set(templates).size).toBe(templates.length)
    const ids = operations.map((operation) => itemOf(operation).operationId)
    expect(new Set(ids).size, ids.join(' ')).toBe(ids.length)
    for (const [path, item] of Object.entries<Schema>(document.paths)) {
      expect(path).toMatch(/^\//)
      expect([...METHODS, 'servers', 'parameters', 'summary', 'description', '$ref']).toEqual(
        expect.arrayContaining(Object.keys(item)),
      )
    }
    for (const operation of operations) checkOperation(operation)
  })

  function checkOperation(operation: Operation): void {
    const item = itemOf(operation)
    const name = nameOf(operation)
    const KNOWN = ['tags', 'summary', 'description', 'externalDocs', 'operationId', 'parameters', 'requestBody']
    KNOWN.push('responses', 'callbacks', 'deprecated', 'security', 'servers')
    for (const member of Object.keys(item)) if (!member.startsWith('x-')) expect(KNOWN, name).toContain(member)
    expect(item.operationId, name).toMatch(/^[a-z][A-Za-z]+$/)
    // Every place of the address is a parameter that is required, and no other is of the path (§4.8.12.2).
    const places = [...operation.path.matchAll(/\{(\w+)\}/g)].map((match) => match[1])
    const inPath = operation.parameters.filter((one) => one.in === 'path')
    expect(inPath.map((one) => one.name).sort(), name).toEqual(places.sort())
    for (const one of operation.parameters) {
      expect(['path', 'query', 'header', 'cookie'], name).toContain(one.in)
      if (one.in === 'path') expect(one.required, name).toBe(true)
      expect(one.schema, `${name} ${one.name}`).toBeTypeOf('object')
    }
    const pairs = operation.parameters.map((one) => `${one.in} ${one.name.toLowerCase()}`)
    expect(new Set(pairs).size, name).toBe(pairs.length)
    expect(Object.keys(operation.responses).length, name).toBeGreaterThan(0)
    for (const [status, answer] of Object.entries<Schema>(operation.responses)) {
      expect(status, name).toMatch(/^[1-5](\d\d|XX)$|^default$/)
      expect(answer.description, `${name} ${status}`).toBeTypeOf('string')
      for (const type of Object.keys(answer.content ?? {})) expect(type).toMatch(/^[a-z]+\/[a-z0-9.+-]+$/)
    }
    for (const requirement of item.security ?? [])
      for (const scheme of Object.keys(requirement))
        expect(document.components.securitySchemes, name).toHaveProperty(scheme)
    for (const tag of item.tags) expect(document.tags.map((known: Schema) => known.name)).toContain(tag)
  }

  it('says of every call who may, by key or by session, and a session’s change by its token too', () => {
    for (const operation of api()) {
      const { security, roles, method } = operation
      if (nameOf(operation) === 'post /api/v1/session') {
        expect(security).toEqual([])
        continue
      }
      const session = method === 'get' ? { session: [] } : { session: [], csrf: [] }
      expect(security, nameOf(operation)).toEqual([{ key: [] }, session])
      expect(roles!.length, nameOf(operation)).toBeGreaterThan(0)
      for (const role of roles!) expect(ROLES).toContain(role)
      expect(itemOf(operation).description, nameOf(operation)).toContain(`Roles: ${roles!.join(', ')}.`)
    }
  })

  it('gives every call its answers: one of success, the problems that any can have, and their codes', () => {
    for (const operation of api()) {
      const statuses = Object.keys(operation.responses)
      expect(
        statuses.some((status) => status.startsWith('2')),
        nameOf(operation),
      ).toBe(true)
      const usual = ['400', '401', '403', '500', '503']
      expect(statuses, nameOf(operation)).toEqual(
        expect.arrayContaining(operation.method === 'get' ? usual : [...usual, '413', '415', '422', '507']),
      )
      for (const [status, answer] of Object.entries<Schema>(operation.responses)) {
        if (Number(status) < 400) continue
        expect(Object.keys(answer.content), `${nameOf(operation)} ${status}`).toEqual(['application/problem+json'])
        const codes = [...answer.description.matchAll(/`([a-z-]+)`/g)].map((match) => match[1])
        const known = Object.entries(PROBLEMS).filter(([, problem]) => problem.status === Number(status))
        expect(codes.sort()).toEqual(known.map(([code]) => code).sort())
      }
    }
  })

  it('names bodies and answers that are no JSON by their media types', () => {
    const media = (path: string, method: 'get' | 'post') => ({
      takes: Object.keys(document.paths[path][method].requestBody?.content ?? {}),
      gives: Object.keys(document.paths[path][method].responses[200].content),
    })
    expect(media('/api/v1/packages', 'post').takes).toEqual(['application/octet-stream'])
    expect(media('/api/v1/check-ins', 'post').takes).toEqual(['application/json', 'application/x-ndjson'])
    expect(media('/api/v1/audit', 'get').gives).toEqual(['application/json', 'application/x-ndjson', 'text/csv'])
    expect(media('/api/v1/events', 'get').gives).toEqual(['text/event-stream'])
    expect(media('/in/check-ins', 'post').takes).toEqual(['application/json', 'application/x-ndjson'])
  })

  it('names the things of the house as components', () => {
    expect(Object.keys(document.components.schemas)).toEqual(
      expect.arrayContaining('Task Unit Package Model Profile Key Link Problem CheckinResults'.split(' ')),
    )
  })

  it('names every route that interfaces.md names for now', () => {
    const routes = operations.map(
      ({ method, path }) => `${method} ${path.replace('/api/v1', '').replaceAll(/\{\w+\}/g, '{}')}`,
    )
    const promised = `post /session, delete /session, post /keys, get /keys, delete /keys/{}, post /packages, get /packages,
      get /packages/{}, patch /packages/{}, post /packages/{}/release, post /packages/{}/withdraw, get /models, put /models/{},
      get /units, post /units, get /units/{}, patch /units/{}, get /units/{}/timeline, get /units/{}/versions, post /tasks,
      get /tasks, get /tasks/{}, post /tasks/{}/attest, post /tasks/{}/cancel, post /tasks/{}/dispatch, post /check-ins,
      post /links, delete /links/{}, get /audit, get /audit/head, get /events, get /healthz, get /readyz,
      post /in/check-ins, get /d/{}/{}, head /d/{}/{}`
    for (const route of promised.split(',').map((text) => text.trim())) expect(routes).toContain(route)
  })
})

it.each([
  ['GET', '/api/v1/units', 'listUnits'],
  ['GET', '/api/v1/units/:id', 'getUnit'],
  ['GET', '/api/v1/units/{id}/timeline', 'getUnitTimeline'],
  ['POST', '/api/v1/units', 'createUnit'],
  ['PATCH', '/api/v1/units/:id', 'changeUnit'],
  ['DELETE', '/api/v1/links/:id', 'deleteLink'],
  ['POST', '/api/v1/tasks/:id/attest', 'attestTask'],
  ['POST', '/api/v1/check-ins', 'createCheckIn'],
  ['GET', '/api/v1/audit/head', 'getAuditHead'],
])('names the call %s %s %s, for generated clients', (method, url, name) => {
  expect(operationName(method, url)).toBe(name)
})
