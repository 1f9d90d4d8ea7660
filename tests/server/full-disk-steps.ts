// Every step of the server that writes, as a row: how it is tried, and how one sees in the record whether it happened. A new
// writing route gets a row here.
import { randomBytes } from 'node:crypto'
import type BetterSqlite from 'better-sqlite3'
import { type Answer, testProfile } from '../support/app.js'
import type { ServedApp } from '../support/serve.js'

/** What the rows work on; made while there is room. */
export interface DiskHouse {
  served: ServedApp
  platformKey: string
  packageId: string
  /** One for each try of a row. */
  tasks: string[]
  links: string[]
  keys: string[]
  drafts: string[]
  released: string[]
  /** Units without a task, in groups `group 0`, `group 1` … of five each. */
  groups: string[][]
}

/** How often a row may be tried until it is refused: a commit may still fit into what the log holds already. */
export const TRIES_MAX = 8

export interface DiskStep {
  name: string
  /** @param n the number of the try; each has its own effect */
  attempt(house: DiskHouse, n: number): Promise<Answer>
  /** Whether the effect of that try is in the record. */
  isThere(db: BetterSqlite.Database, house: DiskHouse, n: number): boolean
}

const any = (db: BetterSqlite.Database, sql: string, ...values: unknown[]): boolean =>
  db.prepare(sql).get(...values) !== undefined

const MODEL = 'sill-cam'
const place = (version: string) => `/packages?model=${MODEL}&version=${version}&fileName=a.bin`

async function publicCheckins(house: DiskHouse, body: unknown): Promise<Answer> {
  const response = await fetch(`${house.served.publicUrl}/in/check-ins`, {
    method: 'POST',
    headers: { authorization: `Bearer ${house.platformKey}`, 'content-type': 'application/json', connection: 'close' },
    body: JSON.stringify(body),
  })
  return { status: response.status, headers: response.headers, body: await response.json() }
}

const hasCheckin = (prefix: string) => (db: BetterSqlite.Database, _house: DiskHouse, n: number) =>
  any(db, 'select 1 from checkin where external_id like ?', `${prefix}-${n}-%`)
const endedLink = (db: BetterSqlite.Database, id: string) =>
  any(db, 'select 1 from link where id = ? and end_reason is not null', id)

export const STEPS: DiskStep[] = [
  {
    name: 'an upload',
    attempt: ({ served }, n) => served.call('POST', place(`3.0.${n}`), randomBytes(400_000)),
    isThere: (db, _house, n) => any(db, 'select 1 from package where version = ?', `3.0.${n}`),
  },
  {
    name: 'a check-in on the public listener',
    attempt: (house, n) =>
      publicCheckins(house, {
        unit: house.groups[0]![0],
        version: '1.0.1',
        id: `public-${n}-0`,
        note: 'x'.repeat(500),
      }),
    isThere: hasCheckin('public'),
  },
  {
    name: 'a batch of check-ins on the public listener',
    attempt: (house, n) =>
      publicCheckins(
        house,
        Array.from({ length: 50 }, (_, i) => ({ unit: house.groups[0]![1], version: '1.0.1', id: `batch-${n}-${i}` })),
      ),
    isThere: hasCheckin('batch'),
  },
  {
    name: 'check-ins on the office listener',
    attempt: ({ served, groups }, n) =>
      served.call('POST', '/check-ins', [{ unit: groups[0]![2], version: '1.0.2', id: `office-${n}-0` }]),
    isThere: hasCheckin('office'),
  },
  {
    name: 'an issue for one unit',
    attempt: ({ served, groups, packageId }, n) =>
      served.call('POST', '/tasks', { unit: groups[n]![0], package: packageId }),
    isThere: (db, { groups }, n) => any(db, 'select 1 from task where unit_id = ?', groups[n]![0]),
  },
  {
    name: 'an issue for a group',
    attempt: ({ served, packageId, groups }, n) =>
      served.call('POST', '/tasks', { units: groups[TRIES_MAX + n], package: packageId }),
    isThere: (db, { groups }, n) =>
      groups[TRIES_MAX + n]!.some((unit) => any(db, 'select 1 from task where unit_id = ?', unit)),
  },
  {
    name: 'a task cancelled',
    attempt: ({ served, tasks }, n) => served.call('POST', `/tasks/${tasks[n]}/cancel`, { reason: 'of the test' }),
    isThere: (db, { tasks }, n) => any(db, "select 1 from task where id = ? and state = 'cancelled'", tasks[n]),
  },
  {
    name: 'a command noted as sent',
    attempt: ({ served, tasks }, n) =>
      served.call('POST', `/tasks/${tasks[TRIES_MAX + n]}/dispatch`, { channel: 'hand' }),
    isThere: (db, { tasks }, n) => any(db, 'select 1 from task_fact where task_id = ?', tasks[TRIES_MAX + n]),
  },
  {
    name: 'a link made',
    attempt: ({ served, packageId }, n) =>
      served.call('POST', '/links', { package: packageId, kind: 'copy', byteBudget: 70_000_000 + n }),
    isThere: (db, _house, n) => any(db, 'select 1 from link where byte_budget_bytes = ?', 70_000_000 + n),
  },
  {
    name: 'a link revoked',
    attempt: ({ served, links }, n) => served.call('DELETE', `/links/${links[n]}`),
    isThere: (db, { links }, n) => endedLink(db, links[n]!),
  },
  {
    name: 'a request with an Idempotency-Key',
    attempt: ({ served }, n) =>
      served.call(
        'POST',
        '/keys',
        { name: `once ${n}`, role: 'auditor' },
        { headers: { 'idempotency-key': `once-${n}` } },
      ),
    isThere: (db, _house, n) =>
      any(db, 'select 1 from access_key where name = ?', `once ${n}`) ||
      any(db, 'select 1 from idempotency where name = ?', `once-${n}`),
  },
  {
    name: 'a key made',
    attempt: ({ served }, n) => served.call('POST', '/keys', { name: `disk ${n}`, role: 'auditor' }),
    isThere: (db, _house, n) => any(db, 'select 1 from access_key where name = ?', `disk ${n}`),
  },
  {
    name: 'a key revoked',
    attempt: ({ served, keys }, n) => served.call('DELETE', `/keys/${keys[n]}`),
    isThere: (db, { keys }, n) =>
      any(db, 'select 1 from access_key where id = ? and revoked_at_ms is not null', keys[n]),
  },
  {
    name: 'a profile',
    attempt: ({ served }, n) => served.call('PUT', `/models/disk-${n}`, testProfile({ id: `disk-${n}` })),
    isThere: (db, _house, n) => any(db, 'select 1 from model where id = ?', `disk-${n}`),
  },
  {
    name: 'a unit',
    attempt: ({ served }, n) => served.call('POST', '/units', { serial: `FULL-${n}`, model: MODEL }),
    isThere: (db, _house, n) => any(db, 'select 1 from unit where serial = ?', `FULL-${n}`),
  },
  {
    name: 'a unit changed',
    attempt: ({ served, groups }, n) => served.call('PATCH', `/units/${groups[n]![1]}`, { notes: `changed ${n}` }),
    isThere: (db, _house, n) => any(db, 'select 1 from unit where notes = ?', `changed ${n}`),
  },
  {
    name: 'a package changed',
    attempt: ({ served, drafts }, n) => served.call('PATCH', `/packages/${drafts[n]}`, { notes: `changed ${n}` }),
    isThere: (db, _house, n) => any(db, 'select 1 from package where notes = ?', `changed ${n}`),
  },
  {
    name: 'a package released',
    attempt: ({ served, drafts }, n) => served.call('POST', `/packages/${drafts[TRIES_MAX + n]}/release`, {}),
    isThere: (db, { drafts }, n) =>
      any(db, "select 1 from package where id = ? and state = 'released'", drafts[TRIES_MAX + n]),
  },
  {
    name: 'a package withdrawn',
    attempt: ({ served, released }, n) =>
      served.call('POST', `/packages/${released[n]}/withdraw`, { reason: 'of the test' }),
    isThere: (db, { released }, n) =>
      any(db, "select 1 from package where id = ? and state = 'withdrawn'", released[n]),
  },
  {
    name: 'a copy of the log, which is itself an entry',
    attempt: ({ served }, n) => served.call('GET', `/audit?format=jsonl&from=2026-01-01T00:00:0${n % 10}Z`),
    isThere: (db, _house, n) => any(db, 'select 1 from audit where body like ?', `%2026-01-01T00:00:0${n % 10}Z%`),
  },
]
