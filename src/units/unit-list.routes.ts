// Lists of units: in from a spreadsheet, out in the same form. docs/unit-lists.md describes both.
import { Readable } from 'node:stream'
import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { keyOf } from '../access/authenticate.service.js'
import { requireRole, sameBytes } from '../access/require-role.js'
import { BOM, csvRows } from '../csv/write.js'
import type { Db } from '../db/db.js'
import { AppError } from '../errors.js'
import { ProblemView } from '../http/problem.js'
import { problemOf } from '../http/problem-document.js'
import { readApart } from '../http/request-body.driver.js'
import { changeProblems, problems, type ZodApp } from '../http/zod-routes.js'
import { UNIT_FILTERS } from './unit.routes.js'
import { listUnits } from './unit.store.js'
import { readRegion } from './unit-cells.js'
import { UNIT_COLUMN_NAMES } from './unit-columns.js'
import { unitCells } from './unit-export.js'
import { type Intake, type IntakeDeps, unitIntake } from './unit-intake.service.js'

/** Units read in one go while a list is written. */
const PAGE_UNITS = 1000

/** What browsers and spreadsheets call such files; some systems take every .csv for one of their spreadsheet's. */
const MEDIA = ['text/csv', 'text/tab-separated-values', 'application/vnd.ms-excel']

const FindingView = z.object({
  line: z.number().int().describe('Of the file, from 1: where the row begins'),
  column: z.string().nullable(),
  value: z.string().describe('Shortened'),
  code: z.string(),
  detail: z.string().describe('What to do'),
})
const listMembers = {
  read: z.number().int(),
  created: z.number().int(),
  updated: z.number().int(),
  unchanged: z.number().int(),
  rejectedRows: z.number().int(),
  stored: z.boolean(),
  rejected: z.array(FindingView),
  cautions: z.array(FindingView).describe('Taken, but it looks wrong, or was repaired'),
}
const ListView = z.object(listMembers).meta({ id: 'UnitList' })
const ListProblem = ProblemView.extend(z.object(listMembers).partial().shape).meta({ id: 'UnitListProblem' })

const flag = z.enum(['true', 'false']).default('false')
const Query = z.object({
  partial: flag.describe('true: good rows are stored although others are refused'),
  check: flag.describe('true: everything is read and judged, nothing is stored'),
  region: z
    .string()
    .max(8)
    .transform((text, context) => {
      const region = readRegion(text)
      if (region === null)
        context.addIssue({ code: 'custom', message: 'is no country: two letters of ISO 3166, as GB' })
      return region
    })
    .optional()
    .describe('ISO 3166 country of phone numbers in their national form; without it they are refused'),
})

export function unitListRoutes(deps: IntakeDeps): FastifyPluginAsync {
  const intake = unitIntake(deps)
  const importer: FastifyPluginAsync = async (instance) => {
    const app = instance as unknown as ZodApp
    // The body stays a stream: a list of any length goes to disk piece by piece.
    app.removeAllContentTypeParsers()
    app.addContentTypeParser(MEDIA, (_request, payload, done) => done(null, payload))
    app.post(
      '/units/import',
      {
        onRequest: requireRole('operate'),
        bodyLimit: Number.MAX_SAFE_INTEGER,
        schema: {
          description:
            'The body is a table of text as spreadsheets save it (docs/unit-lists.md). All rows are stored, or none; with `partial` the good ones.',
          'x-firmhand-body': { 'text/csv': 'A table of text: docs/unit-lists.md' },
          querystring: Query,
          response: { 200: ListView, ...changeProblems(), 422: ListProblem },
        },
      },
      async (request, reply) => {
        const { partial, check, region } = request.query
        const actorOf = async (sha256: string) => {
          // A long list takes its time to come in, and the key may be gone by then.
          if (!(await keyOf(request, deps))) throw new AppError('key-missing', 'The key was revoked during the upload.')
          return sameBytes(request.actor, sha256)
        }
        const body = readApart((request.body ?? request.raw) as Readable)
        const done = await intake.take(body, actorOf, {
          keyId: request.actor.id,
          partial: partial === 'true',
          check: check === 'true',
          region: region ?? null,
        })
        const before = done.refused ? `{${JSON.stringify(problemOf(refusal(done), request.id)).slice(1, -1)},` : '{'
        const answer = Readable.from(answerOf(done, before), { objectMode: false })
        answer.once('close', () => void done.dispose())
        return reply
          .code(done.refused ? 422 : 200)
          .type(done.refused ? 'application/problem+json' : 'application/json; charset=utf-8')
          .send(answer as never)
      },
    )
  }
  return async (instance) => {
    await instance.register(importer)
    exporter(instance as unknown as ZodApp, deps.read)
  }
}

async function* answerOf(done: Intake, before: string): AsyncGenerator<string> {
  yield before
  yield* done.members()
  yield '}'
}

function refusal({ counts }: Intake): AppError {
  const detail =
    counts.rejectedRows === 0
      ? 'The list cannot be read; nothing was stored. Correct what is named and send it again.'
      : `${counts.rejectedRows} of ${counts.read} rows cannot be taken; nothing was stored. Correct them and send the list again, or take the good rows alone (partial).`
  return new AppError('list-refused', detail)
}

function exporter(app: ZodApp, read: Db): void {
  app.get(
    '/units/export',
    {
      onRequest: requireRole('read'),
      schema: {
        description: 'text/csv in the form that the import reads: read again, every unit is unchanged.',
        querystring: z.object(UNIT_FILTERS),
        response: { 200: { content: { 'text/csv': { schema: z.string() } } }, ...problems() },
      },
    },
    async (request, reply) =>
      reply
        .type('text/csv; charset=utf-8; header=present')
        .header('content-disposition', 'attachment; filename="firmhand-units.csv"')
        .serializer((payload) => payload as string)
        .send(Readable.from(exportOf(read, request.query), { objectMode: false }) as never),
  )
}

/** Page by page: memory stays flat, and so does the time that others wait. */
async function* exportOf(
  read: Db,
  filter: { model?: string | undefined; group?: string | undefined },
): AsyncGenerator<string> {
  yield BOM + csvRows([UNIT_COLUMN_NAMES])
  for (let after = ''; ; ) {
    const units = await listUnits(read, { ...filter, after, limit: PAGE_UNITS })
    // One more than asked for comes back; it belongs to the next page.
    const page = units.slice(0, PAGE_UNITS)
    if (page.length > 0) yield csvRows(page.map(unitCells))
    if (units.length <= PAGE_UNITS) return
    after = page.at(-1)!.id
  }
}
