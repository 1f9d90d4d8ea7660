import { Readable } from 'node:stream'
import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { type Clock, toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { Id, Instant, instantMs, LIST_LIMIT_MAX, pageOf, problems, type ZodApp } from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import type { AuditService } from './audit.service.js'
import { type AuditFilter, readHead, type StoredEntry, scanEntries } from './audit.store.js'
import { type ChainHead, EMPTY_HEAD } from './chain.js'
import { csvHead, csvLine, type ExportFormat, entryLine } from './export.js'
import { exportEnd, exportHead } from './export-lines.js'

/** Rows read in one go while a copy is streamed. */
const PAGE_ROWS = 1000

const Query = z.object({
  unit: Id.optional().describe('Our id, IMEI or serial number'),
  actor: Id.optional(),
  action: z
    .string()
    .max(60)
    .regex(/^[a-z-]+(\.[a-z-]*)?$/, 'is no action and no kind of actions')
    .optional()
    .describe('One action, or all of a kind with the dot at the end: `task.`'),
  from: Instant.optional(),
  to: Instant.optional(),
  format: z.enum(['json', 'jsonl', 'csv']).default('json'),
  after: z.coerce.number().int().min(0).default(0).describe('json only: cursor'),
  limit: z.coerce.number().int().min(1).max(LIST_LIMIT_MAX).default(100).describe('json only'),
})

/** An entry as docs/audit-log.md tells it; what an action puts into `detail` differs. */
const EntryView = z
  .looseObject({
    type: z.literal('entry'),
    seq: z.number().int(),
    at: z.string(),
    actor: z.object({ id: z.string(), role: z.string(), via: z.enum(['api', 'public', 'cli', 'system']) }),
    action: z.string(),
    unit: z.string().nullable(),
    task: z.string().nullable(),
    package: z.string().nullable(),
    fromVersion: z.string().nullable(),
    toVersion: z.string().nullable(),
    sha256: z.string().nullable(),
    detail: z.record(z.string(), z.unknown()),
    labelsHash: z.string().nullable(),
    prev: z.string(),
    hash: z.string(),
    labels: z.record(z.string(), z.unknown()).nullable(),
  })
  .meta({ id: 'AuditEntry' })

const MEDIA: Record<Exclude<ExportFormat, 'json'>, string> = {
  jsonl: 'application/x-ndjson; charset=utf-8',
  csv: 'text/csv; charset=utf-8',
}

export interface AuditRoutesDeps {
  read: Db
  clock: Clock
  audit: Remote<AuditService>
  serverId: string
  /** The guard of the house, handed in: access stands below the log. */
  mayRead: Parameters<ZodApp['get']>[1]['onRequest']
  /** Our id of a unit by any of its names. */
  unitId: (name: string) => Promise<string>
}

export function auditRoutes(deps: AuditRoutesDeps): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get(
      '/audit/head',
      {
        onRequest: deps.mayRead,
        schema: {
          description: 'Keep this elsewhere: a later copy is checked against it.',
          response: { 200: z.object({ seq: z.number().int(), hash: z.string() }), ...problems() },
        },
      },
      () => readHead(deps.read),
    )
    app.get(
      '/audit',
      {
        onRequest: deps.mayRead,
        schema: {
          description: '`jsonl` is the copy that `firmhand audit verify` checks; without filters it is complete.',
          querystring: Query,
          response: {
            200: {
              content: {
                'application/json': { schema: pageOf(EntryView) },
                'application/x-ndjson': { schema: z.string().describe('Lines: head, entries, end') },
                'text/csv': { schema: z.string() },
              },
            },
            ...problems(404, 507),
          },
        },
      },
      async (request, reply) => {
        const { query } = request
        const filter = await filterOf(query, deps.unitId)
        if (query.format === 'json') {
          const rows = await scanEntries(deps.read, filter, { afterSeq: query.after, limit: query.limit + 1 })
          const items = rows.slice(0, query.limit)
          return {
            items: items.map((row) => JSON.parse(entryLine(row))),
            next: rows.length > query.limit ? String(items.at(-1)!.seq) : null,
          }
        }
        // The unit by our id, whatever it was asked for by: an IMEI would stand in the hashed bytes for ever.
        const asked = { ...query, unit: filter.unit }
        const shown = Object.fromEntries(
          (['unit', 'actor', 'action', 'from', 'to'] as const).flatMap((name) =>
            asked[name] === undefined ? [] : [[name, asked[name]]],
          ),
        )
        const filterShown = Object.keys(shown).length > 0 ? shown : null
        const head = await deps.audit.noteExport(request.actor, { format: query.format, filter: filterShown })
        const pieces =
          query.format === 'csv' ? csvExport(deps, filter, head) : jsonlExport(deps, { filter, filterShown, head })
        return reply
          .type(MEDIA[query.format])
          .header('content-disposition', `attachment; filename="firmhand-audit.${query.format}"`)
          .serializer((payload) => payload as string)
          .send(Readable.from(pieces, { objectMode: false }) as never)
      },
    )
  }
}

async function filterOf(
  query: {
    unit?: string | undefined
    actor?: string | undefined
    action?: string | undefined
    from?: string | undefined
    to?: string | undefined
  },
  unitId: (name: string) => Promise<string>,
): Promise<AuditFilter> {
  return {
    unit: query.unit === undefined ? undefined : await unitId(query.unit),
    actor: query.actor,
    action: query.action,
    fromMs: query.from === undefined ? undefined : instantMs(query.from),
    toMs: query.to === undefined ? undefined : instantMs(query.to),
  }
}

/** Page by page up to the head: memory stays flat, and what is appended meanwhile is left out. */
async function* pagesOf(read: Db, filter: AuditFilter, head: ChainHead): AsyncGenerator<StoredEntry[]> {
  for (let afterSeq = 0; ; ) {
    const rows = await scanEntries(read, filter, { afterSeq, limit: PAGE_ROWS, untilSeq: head.seq })
    if (rows.length === 0) return
    yield rows
    afterSeq = rows.at(-1)!.seq
  }
}

async function* jsonlExport(
  deps: AuditRoutesDeps,
  given: { filter: AuditFilter; filterShown: Record<string, string> | null; head: ChainHead },
): AsyncGenerator<string> {
  const filter = given.filterShown
  const head = exportHead({
    server: deps.serverId,
    exportedAt: toRfc3339(deps.clock()),
    filter,
    complete: filter === null,
  })
  yield `${JSON.stringify(head)}\n`
  let entries = 0
  let last: ChainHead = EMPTY_HEAD
  for await (const rows of pagesOf(deps.read, given.filter, given.head)) {
    entries += rows.length
    last = rows.at(-1)!
    yield rows.map((row) => `${entryLine(row)}\n`).join('')
  }
  yield `${JSON.stringify(exportEnd(head, entries, last))}\n`
}

async function* csvExport(deps: AuditRoutesDeps, filter: AuditFilter, head: ChainHead): AsyncGenerator<string> {
  yield csvHead()
  for await (const rows of pagesOf(deps.read, filter, head)) yield rows.map(csvLine).join('')
}
