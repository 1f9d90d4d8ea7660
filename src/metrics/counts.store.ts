// What is counted in the database for the metrics. Each of these walks an index or a small table as a whole: 1,000,000
// tasks and links took 0.2 to 0.5 s on a busy machine. So it runs in a thread of its own, and not at every scrape.
import type { Db } from '../db/db.js'

export interface Counts {
  tasks: { state: string; reason: string | null; count: number }[]
  liveLinks: number
  units: number
  packages: { state: string; count: number }[]
  storedBytes: number
}

export async function readCounts(db: Db, nowMs: number): Promise<Counts> {
  const tasks = await db
    .selectFrom('task')
    .select((select) => ['state', 'reason', select.fn.countAll<number | string>().as('count')])
    .groupBy(['state', 'reason'])
    .execute()
  const links = await db
    .selectFrom('link')
    .select((select) => select.fn.countAll<number | string>().as('count'))
    .where('end_reason', 'is', null)
    .where((where) => where.or([where('expires_at_ms', 'is', null), where('expires_at_ms', '>', nowMs)]))
    .executeTakeFirstOrThrow()
  const units = await db
    .selectFrom('unit')
    .select((select) => select.fn.countAll<number | string>().as('count'))
    .executeTakeFirstOrThrow()
  const packages = await db
    .selectFrom('package')
    .select((select) => ['state', select.fn.countAll<number | string>().as('count')])
    .groupBy('state')
    .execute()
  const blobs = await db
    .selectFrom('blob')
    .select((select) => select.fn.sum<number | string | null>('size_bytes').as('bytes'))
    .executeTakeFirstOrThrow()
  return {
    tasks: tasks.map(({ state, reason, count }) => ({ state, reason, count: Number(count) })),
    liveLinks: Number(links.count),
    units: Number(units.count),
    packages: packages.map(({ state, count }) => ({ state, count: Number(count) })),
    storedBytes: Number(blobs.bytes ?? 0),
  }
}
