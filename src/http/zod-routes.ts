// What routes share: the typed instance, common pieces of schemas, and the answers that every route may give.

import type { IncomingMessage, ServerResponse } from 'node:http'
import type { FastifyBaseLogger, FastifyInstance, RawServerDefault } from 'fastify'
import type { ZodTypeProvider } from 'fastify-type-provider-zod'
import { z } from 'zod'
import { ProblemView } from './problem.js'

export type ZodApp = FastifyInstance<
  RawServerDefault,
  IncomingMessage,
  ServerResponse,
  FastifyBaseLogger,
  ZodTypeProvider
>

declare module 'fastify' {
  interface FastifySchema {
    /** Media types of bodies that are no JSON, with what they hold: for the document. */
    'x-firmhand-body'?: Record<string, string>
  }
}

export const LIST_LIMIT_MAX = 1000
const LIST_LIMIT = 100

/** RFC 3339 §5.6 writes years in four digits; by its offset a time of the last hours of 9999 can lie in the next year. */
const LATEST_MS = Date.UTC(10_000, 0, 1) - 1

/** RFC 3339 in, Unix ms inside. */
export const Instant = z.iso
  .datetime({ offset: true })
  .refine((text) => !(Date.parse(text) > LATEST_MS), 'lies beyond the year 9999')
  .meta({ description: 'RFC 3339, with offset or Z' })
export const instantMs = (text: string): number => Date.parse(text)

/** Opaque, and short enough that nobody stores a book in it. */
export const Id = z.string().min(1).max(128)

export const PageQuery = z.object({
  after: z.string().max(128).optional().describe('Cursor: `next` of the page before'),
  limit: z.coerce.number().int().min(1).max(LIST_LIMIT_MAX).default(LIST_LIMIT),
})
export interface Page {
  after?: string | undefined
  limit: number
}

export const pageOf = <T extends z.ZodType>(item: T) => z.object({ items: z.array(item), next: z.string().nullable() })

/** Cuts the row that was read beyond the limit, and turns it into the cursor. */
export function toPage<T extends { id: string }>(rows: T[], limit: number): { items: T[]; next: string | null } {
  const items = rows.slice(0, limit)
  return { items, next: rows.length > limit ? items.at(-1)!.id : null }
}

/** Every documented failure has the same form. */
export const problems = (...statuses: number[]): Record<number, typeof ProblemView> =>
  Object.fromEntries([400, 401, 403, 500, 503, ...statuses].map((status) => [status, ProblemView]))

/** For a route that changes something: body too slow, too large, of the wrong kind, Idempotency-Key used otherwise, disk full. */
export const changeProblems = (...statuses: number[]): Record<number, typeof ProblemView> =>
  problems(408, 413, 415, 422, 507, ...statuses)
