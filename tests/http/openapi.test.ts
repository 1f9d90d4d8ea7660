// The API's description (OpenAPI 3.1, JSON Schema 2020-12) is true: its schemas are valid, and no call, however odd, is
// answered with what it does not describe.
import Ajv2020 from 'ajv/dist/2020.js'
import addFormats from 'ajv-formats'
import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei } from '../support/app.js'
import { type Operation, readDocument, type Schema } from './openapi.js'

let test: TestApp
let document: Schema
let operations: Operation[]
const known: string[] = []
beforeAll(async () => {
  test = await startTestApp()
  ;({ document, operations } = await readDocument(test.officeUrl))
  const { packageId, unitIds } = await prepare(test, { bytes: Buffer.from('firmware'), units: 3 })
  const issued = await test.call('POST', '/tasks', { units: unitIds.slice(0, 2), package: packageId })
  const draft = await test.call('POST', '/packages?model=sill-cam&version=3.0.0&fileName=a.bin', 'draft')
  const copy = await test.call('POST', '/links', { package: packageId, kind: 'copy' })
  known.push(packageId, draft.body.id, copy.body.id, 'sill-cam', ...unitIds, testImei(9))
  for (const task of issued.body.tasks) known.push(task.id)
})
afterAll(() => test.stop())

/** Every schema of the document, with where it stands. */
function* schemasOf(): Generator<[string, Schema]> {
  for (const [name, schema] of Object.entries(document.components.schemas))
    yield [`#/components/schemas/${name}`, schema]
  for (const { method, path, parameters, body, responses } of operations) {
    const place = `${method} ${path}`
    for (const { name, schema } of parameters) yield [`${place} ${name}`, schema]
    if (body) yield [`${place} body`, body]
    for (const [status, { content }] of Object.entries(responses))
      for (const { schema } of Object.values(content ?? {})) yield [`${place} ${status}`, schema]
  }
}

const escaped = (text: string) => text.replaceAll('~', '~0').replaceAll('/', '~1')

function newAjv() {
  // `strict: false`: words of OpenAPI such as `example` are no errors of a schema.
  const ajv = new Ajv2020.default({ strict: false, allErrors: true })
  addFormats.default(ajv)
  ajv.addSchema(document, 'doc')
  return ajv
}

describe('the description', () => {
  it('is OpenAPI 3.1, and every schema in it is one of JSON Schema 2020-12 whose references lead somewhere', () => {
    expect(document.openapi).toMatch(/^3\.1\./)
    const ajv = newAjv()
    for (const [place, schema] of schemasOf()) {
      expect(ajv.validateSchema(schema), `${place}: ${ajv.errorsText()}`).toBe(true)
      for (const [, pointer] of JSON.stringify(schema).matchAll(/"\$ref":"#([^"]+)"/g)) {
        const target = pointer!
          .split('/')
          .slice(1)
          .reduce((at, name) => at?.[name], document)
        expect(target, `${place} ${pointer}`).toBeDefined()
      }
    }
    // The negative half: the check sees a schema that is none.
    expect(ajv.validateSchema({ type: 'nothing' })).toBe(false)
  })

  it('names the things of the house as components', () => {
    expect(Object.keys(document.components.schemas)).toEqual(
      expect.arrayContaining([
        'Task',
        'Unit',
        'Package',
        'Model',
        'Profile',
        'Key',
        'Link',
        'Problem',
        'CheckinResults',
      ]),
    )
  })

  it('names every route that interfaces.md names for now', () => {
    const routes = new Set(
      operations.map(({ method, path }) => `${method} ${path.replace('/api/v1', '').replaceAll(/\{\w+\}/g, '{}')}`),
    )
    const promised = `post /session, delete /session, post /keys, get /keys, delete /keys/{}, post /packages, get /packages,
      get /packages/{}, patch /packages/{}, post /packages/{}/release, post /packages/{}/withdraw, get /models, put /models/{},
      get /units, post /units, get /units/{}, patch /units/{}, get /units/{}/timeline, get /units/{}/versions, post /tasks,
      get /tasks, get /tasks/{}, post /tasks/{}/attest, post /tasks/{}/cancel, post /tasks/{}/dispatch, post /check-ins,
      post /links, delete /links/{}, get /audit, get /audit/head, get /events, get /healthz, get /readyz, get /metrics`
    for (const route of promised.split(',').map((text) => text.trim())) expect([...routes]).toContain(route)
  })

  it('gives every route its answers: one of success, and the problems that any route can have', () => {
    for (const { method, path, responses } of operations.filter((one) => one.path.startsWith('/api/'))) {
      const statuses = Object.keys(responses)
      expect(
        statuses.some((status) => status.startsWith('2')),
        `${method} ${path}`,
      ).toBe(true)
      const usual =
        method === 'get'
          ? ['400', '401', '403', '500', '503']
          : ['400', '401', '403', '413', '415', '422', '500', '503']
      expect(statuses, `${method} ${path}`).toEqual(expect.arrayContaining(usual))
    }
  })
})

/** Mostly what a schema asks for, sometimes anything. */
function arbitraryOf(given: Schema): fc.Arbitrary<unknown> {
  const schema = given?.$ref
    ? given.$ref
        .slice(2)
        .split('/')
        .reduce((at: Schema, name: string) => at[name], document)
    : given
  const junk = fc.oneof(
    fc.string(),
    fc.integer(),
    fc.double(),
    fc.constant(null),
    fc.boolean(),
    fc.array(fc.string()),
    fc.object({ maxDepth: 1 }),
    fc.constant('\ud800'),
    fc.constant('a\0b'),
  )
  const wanted = (): fc.Arbitrary<unknown> => {
    const options = schema?.anyOf ?? schema?.oneOf
    if (options) return fc.oneof(...options.map(arbitraryOf))
    if (schema?.const !== undefined) return fc.constant(schema.const)
    if (schema?.enum) return fc.constantFrom(...schema.enum)
    const limit = (value: number | undefined, fallback: number) =>
      Math.max(-(2 ** 31), Math.min(2 ** 31, value ?? fallback))
    switch (schema?.type) {
      case 'integer':
        return fc.integer({ min: limit(schema.minimum, -1000), max: limit(schema.maximum, 1000) })
      case 'number':
        return fc.double({ noNaN: true })
      case 'boolean':
        return fc.boolean()
      case 'null':
        return fc.constant(null)
      case 'array':
        return fc.array(arbitraryOf(schema.items), { maxLength: 4 })
      case 'object': {
        const members = Object.entries(schema.properties ?? {}).map(([name, inner]) => [name, arbitraryOf(inner)])
        return fc.record(Object.fromEntries(members), { requiredKeys: schema.required ?? [] })
      }
      case 'string':
        return schema.format === 'date-time'
          ? fc
              .date({ min: new Date('1970-01-01'), max: new Date('2100-01-01'), noInvalidDate: true })
              .map((date) => date.toISOString())
          : fc.oneof(
              fc.constantFrom(...known),
              fc.string({ maxLength: Math.min(schema.maxLength ?? 40, 40), unit: 'binary' }),
            )
      default:
        return junk
    }
  }
  return fc.oneof({ weight: 9, arbitrary: wanted() }, { weight: 1, arbitrary: junk })
}

async function callWith(operation: Operation, parameters: Record<string, unknown>, body: unknown) {
  let url = operation.path
  const query = new URLSearchParams()
  for (const [key, value] of Object.entries(parameters)) {
    const [place, name] = key.split(':')
    const text = typeof value === 'object' ? JSON.stringify(value) : String(value)
    const sound = text.replace(/[\ud800-\udfff]/gu, '?')
    if (place === 'path') url = url.replace(`{${name}}`, encodeURIComponent(sound) || '%20')
    else if (place === 'query' && value !== undefined) query.append(name!, sound)
  }
  const response = await fetch(`${test.officeUrl}${url}${query.size > 0 ? `?${query}` : ''}`, {
    method: operation.method.toUpperCase(),
    headers: {
      authorization: `Bearer ${test.keys.integrator}`,
      ...(operation.body && { 'content-type': 'application/json' }),
    },
    ...(operation.body && { body: JSON.stringify(body) ?? '' }),
  })
  return { status: response.status, type: response.headers.get('content-type') ?? '', text: await response.text() }
}

describe('a contract fuzz', () => {
  it('finds no failure of the server and nothing undocumented', async () => {
    const ajv = newAjv()
    const statuses: Record<string, number> = {}
    for (const operation of operations.filter(({ path }) => path !== '/api/v1/events')) {
      const { method, path, responses } = operation
      const inputs = Object.fromEntries(
        operation.parameters.map((one) => [`${one.in}:${one.name}`, arbitraryOf(one.schema)]),
      )
      const once = async ([parameters, body]: [Record<string, unknown>, unknown]) => {
        const { status, type, text } = await callWith(operation, parameters, body)
        statuses[status] = (statuses[status] ?? 0) + 1
        const what = `${method} ${path} ${JSON.stringify(parameters)} ${JSON.stringify(body)} -> ${status} ${text.slice(0, 200)}`
        expect(status, what).toBeLessThan(500)
        expect(Object.keys(responses), what).toContain(String(status))
        expect(text, what).not.toMatch(/sqlite|select |insert into|constraint failed|\.[jt]s:\d/i)
        if (status >= 400) expect(type, what).toContain('application/problem+json')
        const media = Object.keys(responses[status]!.content ?? {})[0]
        if (!media || text === '' || !/json/.test(type) || /ndjson/.test(type)) return
        const at = `doc#/paths/${escaped(path).replaceAll('{', '%7B').replaceAll('}', '%7D')}/${method}/responses/${status}/content/${escaped(media)}/schema`
        const check = ajv.getSchema(at)
        expect(check, at).toBeDefined()
        expect(check!(JSON.parse(text)), `${what} ${ajv.errorsText(check!.errors)}`).toBe(true)
      }
      await fc.assert(
        fc.asyncProperty(
          fc.tuple(fc.record(inputs), operation.body ? arbitraryOf(operation.body) : fc.constant(undefined)),
          once,
        ),
        { numRuns: 40, endOnFailure: true },
      )
    }
    // It reached behind the schemas, too.
    expect(Object.keys(statuses)).toEqual(expect.arrayContaining(['200', '201', '400', '404']))
  }, 60_000)
})
