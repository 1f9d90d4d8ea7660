// Values for a call of the API, made from its description: mostly what the schemas ask for, partly anything.
import fc from 'fast-check'
import { testImei, testProfile } from '../support/app.js'
import type { Operation, Schema } from './openapi.js'

/** Real ids by the noun of an address or the name of a member, so that calls reach behind the first look-up. */
export type Known = Record<string, string[]>

export interface Call {
  parameters: Record<string, unknown>
  caller: Caller
  media: string
  body: unknown
  headers: Record<string, string>
  /** Of a GET only the head is asked for: the same status, no body (RFC 9110 §9.3.2). */
  headOnly: boolean
}
export type Caller = 'integrator' | 'operator' | 'auditor' | 'check-in' | 'session' | 'session-no-csrf' | 'nobody'

const JUNK = fc.oneof(
  fc.string(),
  fc.integer(),
  fc.double(),
  fc.constant(null),
  fc.boolean(),
  fc.array(fc.string(), { maxLength: 3 }),
  fc.object({ maxDepth: 1 }),
  fc.constantFrom(
    '\ud800',
    'a\0b',
    '',
    ' ',
    '__proto__',
    'constructor',
    '../..',
    '%00',
    '=1+1',
    '\u202e',
    'x'.repeat(3000),
  ),
)
/** Members whose values are names of things: of what kind. */
const NOUNS: Record<string, string> = {
  unit: 'units',
  package: 'packages',
  model: 'models',
  task: 'tasks',
  imei: 'imeis',
}
const nounOf = (name: string): string => NOUNS[name] ?? name

export function arbitraryOf(
  given: Schema,
  name: string,
  place: { document: Schema; known: Known },
): fc.Arbitrary<unknown> {
  const schema = given?.$ref
    ? given.$ref
        .slice(2)
        .split('/')
        .reduce((at: Schema, member: string) => at[member], place.document)
    : given
  const inner = (other: Schema, member = name) => arbitraryOf(other, member, place)
  const wanted = (): fc.Arbitrary<unknown> => {
    const options = schema?.anyOf ?? schema?.oneOf
    if (options) return fc.oneof(...options.map((one: Schema) => inner(one)))
    if (schema?.const !== undefined) return fc.constant(schema.const)
    if (schema?.enum) return fc.constantFrom(...schema.enum)
    const limit = (value: number | undefined, fallback: number) =>
      Math.max(-(2 ** 31), Math.min(2 ** 31 - 1, value ?? fallback))
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
        return fc.array(inner(schema.items ?? {}), { maxLength: 4 })
      case 'object': {
        const members = Object.entries<Schema>(schema.properties ?? {}).map(([member, one]) => [
          member,
          inner(one, member),
        ])
        return fc.record(Object.fromEntries(members), { requiredKeys: schema.required ?? [] })
      }
      case 'string':
        return textOf(schema, name, place.known)
      default:
        return JUNK
    }
  }
  return fc.oneof({ weight: 14, arbitrary: wanted() }, { weight: 1, arbitrary: JUNK })
}

function textOf(schema: Schema, name: string, known: Known): fc.Arbitrary<string> {
  if (schema.format === 'date-time') {
    return fc
      .date({ min: new Date('1970-01-01'), max: new Date('2100-01-01'), noInvalidDate: true })
      .map((date) => date.toISOString())
  }
  const real = known[nounOf(name)]
  const text = fc.string({ maxLength: Math.min(schema.maxLength ?? 40, 40), unit: 'binary' })
  const any = fc.oneof(fc.constantFrom(...Object.values(known).flat()), text)
  return real ? fc.oneof({ weight: 4, arbitrary: fc.constantFrom(...real) }, any) : any
}

/** Bodies that work, by the name of the call: changed in one member, they go deeper than what a schema alone gives. */
function goodBodies(known: Known): Record<string, unknown[]> {
  const [unit, other] = known.units as [string, string]
  const [released] = known.packages as [string]
  const report = { unit: testImei(1), version: '2.0.0', observedAt: '2026-01-12T08:30:00Z', id: 'r-1' }
  return {
    createSession: [{ key: known.key![0] }],
    createKey: [{ name: 'made by the fuzz', role: 'auditor' }],
    createUnit: [
      { imei: testImei(500), model: 'sill-cam' },
      { serial: 'FUZZ-1', model: 'sill-cam', groups: ['g'] },
    ],
    changeUnit: [{ notes: 'n' }, { retired: false, groups: ['g'], timeZone: 'Europe/Berlin' }],
    putModel: [testProfile(), testProfile({ title: 'Another' })],
    createTask: [
      { unit, package: released },
      { units: [unit, other], package: released, supersede: true, acknowledge: 'may-be-installing' },
      { unit, package: released, method: 'card', force: true, supersede: true },
      { group: 'g', package: released, allOrNothing: true },
    ],
    createLink: [
      { package: released, kind: 'copy' },
      { package: released, kind: 'unit', unit },
    ],
    attestTask: [
      { state: 'fetched', note: 'seen' },
      { state: 'failed', reason: 'no-life', note: 'dark' },
    ],
    cancelTask: [{ reason: 'r', acknowledge: 'may-be-installing' }],
    handReportTask: [
      { by: 'N. Name', after: { version: '2.0.0', observedAt: '2026-01-12T08:30:00Z' } },
      { by: 'N. Name', outcome: 'again', supplyVolts: { start: 12.6, underLoad: 12.1 }, checks: { records: true } },
    ],
    createHold: [{ reason: 'r' }],
    postHoldRelease: [{ note: 'n', acknowledge: { openTasks: 0, liveLinks: 0, unsentCommands: 0 } }],
    dispatchTask: [{ channel: 'hand' }],
    withdrawPackage: [{ reason: 'r' }],
    releasePackage: [{}, { acceptFindings: ['empty-file'] }],
    changePackage: [{ notes: 'n', installsOver: ['1.0.0'] }],
    createCheckIn: [report, [report, { unit: 'nobody', version: '' }, 7]],
    reportCheckIns: [
      report,
      [
        { ...report, id: 'r-2' },
        { ...report, observedAt: 'yesterday' },
      ],
    ],
  }
}

const isPlain = (value: unknown): value is Record<string, unknown> =>
  typeof value === 'object' && value !== null && !Array.isArray(value)

/** One member replaced, taken away or added. */
const oneChanged = (body: unknown): fc.Arbitrary<unknown> =>
  isPlain(body)
    ? fc.tuple(fc.constantFrom(...Object.keys(body), 'color'), JUNK, fc.boolean()).map(([name, value, drop]) => {
        const { [name]: _old, ...rest } = body
        return drop ? rest : { ...rest, [name]: value }
      })
    : JUNK

const CSV = fc.oneof(
  fc.constant('imei,model\n009977990005002,sill-cam\n'),
  fc.constant('\ufeffimei;model;phone\r\n"009977990005010";sill-cam;+441632960001\r\n'),
  fc.string({ maxLength: 200 }),
  fc
    .array(
      fc.array(fc.string({ maxLength: 12 }), { maxLength: 5 }).map((row) => row.join(',')),
      { maxLength: 6 },
    )
    .map((rows) => rows.join('\n')),
)

/** A body of a media type: JSON by the schema, lines, a table, bytes. */
function bodyOf(
  operation: Operation,
  id: string,
  media: string,
  place: { document: Schema; known: Known },
): fc.Arbitrary<unknown> {
  if (media === 'application/octet-stream') return fc.uint8Array({ maxLength: 300 }).map((bytes) => Buffer.from(bytes))
  if (/csv/.test(media)) return CSV
  const good = goodBodies(place.known)[id] ?? []
  const bySchema = operation.body ? arbitraryOf(operation.body, '', place) : JUNK
  const json =
    good.length > 0
      ? fc.oneof(
          { weight: 4, arbitrary: fc.constantFrom(...good) },
          { weight: 3, arbitrary: fc.constantFrom(...good).chain(oneChanged) },
          { weight: 3, arbitrary: bySchema },
        )
      : bySchema
  if (/ndjson/.test(media)) {
    return fc
      .array(fc.oneof(json, fc.string({ maxLength: 20 })), { maxLength: 5 })
      .map((lines) => lines.map((line) => (typeof line === 'string' ? line : JSON.stringify(line))).join('\n'))
  }
  return json
}

const digest = (text: string) => `sha-256=:${Buffer.from(text.padEnd(32, 'x')).toString('base64')}:`
const HEADERS: fc.Arbitrary<Record<string, string>> = fc
  .array(
    fc.constantFrom<[string, string][]>(
      ['idempotency-key', 'one'],
      ['idempotency-key', 'two'],
      ['idempotency-key', 'x'.repeat(201)],
      ['idempotency-key', ''],
      ['repr-digest', digest('wrong')],
      ['repr-digest', 'sha-256=no base64'],
      ['content-digest', 'md5=:AAAA:, junk'],
      ['repr-digest', ','.repeat(100)],
      ['if-match', '"x"'],
      ['if-none-match', '*'],
      ['if-modified-since', 'yesterday'],
      ['range', 'bytes=0-0'],
      ['accept', 'image/png'],
      ['accept', 'application/x-ndjson;q=0, */*;q=0.1'],
      ['accept-encoding', 'br;q=junk'],
      ['last-event-id', '-1'],
      ['last-event-id', '1e309'],
      ['x-http-method-override', 'DELETE'],
      ['cookie', 'firmhand_session=; firmhand_session=%zz; a'],
      ['content-encoding', 'gzip'],
      ['expect', '100-continue'],
    ),
    { maxLength: 2 },
  )
  .map((pairs) => Object.fromEntries(pairs))

const WRONG_MEDIA = [
  'text/plain',
  'application/xml',
  'multipart/form-data; boundary=x',
  'application/json; charset=utf-16',
  'junk',
  '',
]

export function callOf(
  operation: Operation,
  id: string,
  place: { document: Schema; known: Known },
): fc.Arbitrary<Call> {
  const noun = operation.path.split('/')[operation.path.startsWith('/api/') ? 3 : 1] ?? ''
  const parameters = operation.parameters
    .filter((one) => one.in !== 'header')
    .map((one): [string, fc.Arbitrary<unknown>] => {
      const value = arbitraryOf(one.schema, one.in === 'path' ? noun : one.name, place)
      return [`${one.in}:${one.name}`, one.required ? value : fc.option(value, { nil: undefined })]
    })
  const ours: Caller = operation.listener === 'public' ? 'check-in' : 'integrator'
  const caller = fc.oneof(
    { weight: 10, arbitrary: fc.constant<Caller>(ours) },
    {
      weight: 4,
      arbitrary: fc.constantFrom<Caller[]>(
        ...(['operator', 'auditor', 'check-in', 'session', 'session-no-csrf', 'nobody'] as const),
      ),
    },
  )
  const body =
    operation.media.length === 0
      ? fc.constant({ media: '', body: undefined as unknown })
      : fc
          .constantFrom(...operation.media)
          .chain((media) => bodyOf(operation, id, media, place).map((value) => ({ media, body: value })))
          .chain((sound) =>
            fc.oneof(
              { weight: 12, arbitrary: fc.constant(sound) },
              { weight: 1, arbitrary: fc.constantFrom(...WRONG_MEDIA).map((media) => ({ ...sound, media })) },
            ),
          )
  return fc
    .tuple(
      fc.record(Object.fromEntries(parameters)),
      caller,
      body,
      fc.oneof({ weight: 2, arbitrary: fc.constant({}) }, HEADERS),
      fc.integer({ min: 0, max: 9 }),
    )
    .map(([values, who, sent, headers, dice]) => {
      const headOnly = operation.method === 'get' && operation.path !== '/api/v1/events' && dice === 0
      return { parameters: values, caller: who, ...sent, headers, headOnly }
    })
}
