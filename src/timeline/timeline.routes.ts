// What happened to one unit: log entries and downloads in one list, and every version that it ever reported.
import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { listEntries } from '../audit/audit.store.js'
import { listVersions } from '../checkins/checkin.store.js'
import { toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { listTries } from '../downloads/ledger.store.js'
import { Id, PageQuery, pageOf, problems, toPage, type ZodApp } from '../http/zod-routes.js'
import { listUnitLinks } from '../links/link.store.js'
import { requireUnit } from '../units/unit.service.js'

/** The newest things of a unit; the whole is in the audit log. */
const EVENTS_MAX = 1000

const EventView = z
  .object({
    at: z.string(),
    kind: z.enum(['log', 'download']),
    what: z.string(),
    task: z.string().nullable(),
    by: z.object({ id: z.string(), name: z.string().nullable() }).nullable(),
    fromVersion: z.string().nullable(),
    toVersion: z.string().nullable(),
    detail: z.record(z.string(), z.unknown()),
  })
  .meta({ id: 'TimelineEvent' })

const VersionView = z
  .object({
    id: z.string(),
    version: z.string(),
    rawVersion: z.string(),
    observedAt: z.string(),
    receivedAt: z.string(),
    timing: z.enum(['stated', 'receipt', 'clock']),
    source: z.string(),
    digest: z.string().nullable(),
    note: z.string().nullable(),
  })
  .meta({ id: 'ReportedVersion' })

export function timelineRoutes(deps: { read: Db }): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    const params = z.object({ id: Id })
    app.get(
      '/units/:id/timeline',
      {
        onRequest: requireRole('read'),
        schema: {
          description: 'The newest 1,000 events, oldest first.',
          params,
          response: { 200: z.object({ items: z.array(EventView), next: z.null() }), ...problems(404) },
        },
      },
      async (request) => ({
        items: await timelineOf(deps.read, (await requireUnit({ db: deps.read }, request.params.id)).id),
        next: null,
      }),
    )
    app.get(
      '/units/:id/versions',
      {
        onRequest: requireRole('read'),
        schema: {
          description: 'Newest first.',
          params,
          querystring: PageQuery,
          response: { 200: pageOf(VersionView), ...problems(404) },
        },
      },
      async (request) => {
        const unit = await requireUnit({ db: deps.read }, request.params.id)
        const { items, next } = toPage(await listVersions(deps.read, unit.id, request.query), request.query.limit)
        return {
          items: items.map((item) => ({
            id: item.id,
            version: item.version,
            rawVersion: item.rawVersion,
            observedAt: toRfc3339(item.observedAtMs),
            receivedAt: toRfc3339(item.receivedAtMs),
            timing: item.timing,
            source: item.source,
            digest: item.digest,
            note: item.note,
          })),
          next,
        }
      },
    )
  }
}

/** What is shown of an entry of the log; docs/audit-log.md has the whole. */
interface LoggedEntry {
  actor: { id: string }
  action: string
  task: string | null
  fromVersion: string | null
  toVersion: string | null
  detail: Record<string, unknown>
}

async function timelineOf(read: Db, unitId: string): Promise<z.infer<typeof EventView>[]> {
  const entries = await listEntries(read, { unit: unitId }, { afterSeq: 0, limit: EVENTS_MAX, newest: true })
  const tries = await listTries(read, await listUnitLinks(read, unitId), EVENTS_MAX)
  const events = [
    ...entries.map((entry) => {
      const { actor, action, task, fromVersion, toVersion, detail } = JSON.parse(entry.body) as LoggedEntry
      const { note, actorName } = JSON.parse(entry.labels ?? '{}') as { note?: string; actorName?: string }
      return {
        atMs: entry.atMs,
        kind: 'log' as const,
        what: action,
        task,
        by: { id: actor.id, name: actorName ?? null },
        fromVersion,
        toVersion,
        detail: { seq: entry.seq, ...detail, ...(note !== undefined && { note }) },
      }
    }),
    ...tries.map(({ startedAtMs, endedAtMs, linkId, id, ...record }) => ({
      atMs: startedAtMs,
      kind: 'download' as const,
      what: whatHappened(record),
      task: null,
      by: null,
      fromVersion: null,
      toVersion: null,
      detail: { link: linkId, try: id, endedAt: endedAtMs === null ? null : toRfc3339(endedAtMs), ...record },
    })),
  ]
  return events
    .sort((a, b) => a.atMs - b.atMs)
    .slice(-EVENTS_MAX)
    .map(({ atMs, ...event }) => ({ at: toRfc3339(atMs), ...event }))
}

function whatHappened(record: { method: string; status: number; span: unknown; flags: string[] }): string {
  const { method, status, span, flags } = record
  if (flags.includes('held')) return 'was held back: the server was on hold'
  if (flags.includes('package-damaged')) return 'was held back: the stored file is damaged'
  if (flags.includes('late-trigger-stopped')) return 'was a late trigger and was stopped: its link had ended'
  if (status < 200 || status >= 300) return `was answered ${status}`
  return span === null ? `asked with ${method}, without a body` : 'fetched a part'
}
