// The audit log by the API: one entry for each change, exports that anybody can check, personal data that can be erased.
import { createHash } from 'node:crypto'
import path from 'node:path'
import Database from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { startTestApp, type TestApp, testImei, testProfile } from '../support/app.js'

// An entry is whatever the server wrote.
// biome-ignore lint/suspicious/noExplicitAny: the checks below look at every member
type Entry = any

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

const head = async () => (await test.call('GET', '/audit/head')).body as { seq: number; hash: string }
const since = async (seq: number): Promise<Entry[]> =>
  (await test.call('GET', `/audit?after=${seq}&limit=1000`)).body.items
const copyOf = async (query = '') => String((await test.call('GET', `/audit?format=jsonl${query}`)).body)
const verify = (text: string, expected?: { seq: number; hash: string }) =>
  verifyExport(exportLines([Buffer.from(text)]), expected)

/** RFC 8785 for what entries hold: sorted members, no blanks; ECMAScript writes strings and whole numbers as it asks. */
function canonical(value: unknown): string {
  if (Array.isArray(value)) return `[${value.map(canonical).join()}]`
  if (typeof value !== 'object' || value === null) return JSON.stringify(value)
  const members = Object.entries(value).sort(([a], [b]) => (a < b ? -1 : 1)) // By UTF-16 units, §3.2.3.
  return `{${members.map(([name, inner]) => `${JSON.stringify(name)}:${canonical(inner)}`).join()}}`
}
const sha256 = (text: string) => createHash('sha256').update(text).digest('hex')

/** A second reading of the export's rules (interfaces.md), sharing no code with the first. */
function checkByHand(text: string): { entries: Entry[]; first: Entry; last: Entry } {
  expect(text.endsWith('\n') && !text.includes('\r')).toBe(true)
  const lines = text
    .slice(0, -1)
    .split('\n')
    .map((line) => JSON.parse(line))
  const [first, last, entries] = [lines[0], lines.at(-1), lines.slice(1, -1)]
  let prev = '0'.repeat(64)
  for (const [index, entry] of entries.entries()) {
    const { hash, labels, ...hashed } = entry
    expect(sha256(canonical(hashed))).toBe(hash)
    if (labels !== null) expect(sha256(canonical(labels))).toBe(entry.labelsHash)
    if (first.complete) expect([entry.seq, entry.prev]).toEqual([index + 1, prev])
    prev = hash
  }
  expect(last).toMatchObject({
    type: 'end',
    entries: entries.length,
    lastSeq: entries.at(-1)?.seq ?? 0,
    lastHash: prev,
  })
  return { entries, first, last }
}

/** Every kind of change, with the actions that it must log, in order. */
const ids: Record<string, string> = {}
const post = async (target: string, body: unknown, status = 201) => {
  const answer = await test.call('POST', target, body)
  expect(answer.status, JSON.stringify(answer.body)).toBe(status)
  return answer.body
}
const report = (version: string, unit = 'unit') =>
  post('/check-ins', { unit: ids[unit], version, observedAt: new Date(test.nowMs()).toISOString() }, 200)
const upload = async (version: string) =>
  (await post(`/packages?model=sill-cam&version=${version}&fileName=a.bin`, `bytes ${version}`)).id
const CHANGES: [what: string, change: () => Promise<unknown>, actions: string[]][] = [
  [
    'a new key',
    async () => {
      ids.key = (await post('/keys', { name: 'K', role: 'auditor' })).id
    },
    ['key.created'],
  ],
  ['a revoked key', () => test.call('DELETE', `/keys/${ids.key}`), ['key.revoked']],
  ['a key that is revoked already', () => test.call('DELETE', `/keys/${ids.key}`), []],
  ['a new model', () => test.call('PUT', '/models/sill-cam', testProfile()), ['model.created']],
  ['a changed model', () => test.call('PUT', '/models/sill-cam', testProfile({ title: 'T' })), ['model.changed']],
  [
    'a package',
    async () => {
      ids.pack = await upload('2.0.0')
    },
    ['package.added'],
  ],
  [
    'the same bytes again',
    () => test.call('POST', '/packages?model=sill-cam&version=2.0.0&fileName=a.bin', 'bytes 2.0.0'),
    [],
  ],
  ['a changed package', () => test.call('PATCH', `/packages/${ids.pack}`, { notes: 'n' }), ['package.changed']],
  ['a release', () => post(`/packages/${ids.pack}/release`, {}, 200), ['package.released']],
  [
    'a unit',
    async () => {
      ids.unit = (
        await post('/units', { imei: testImei(1), serial: 'S-1', phone: '+441632960961', model: 'sill-cam' })
      ).id
    },
    ['unit.created'],
  ],
  ['a changed unit', () => test.call('PATCH', `/units/${ids.unit}`, { hardware: 'B' }), ['unit.changed']],
  ['a report without a task', () => report('1.0.0'), ['checkin.accepted']],
  [
    'an issue',
    async () => {
      ids.task = (await post('/tasks', { unit: ids.unit, package: ids.pack })).tasks[0].id
    },
    ['task.issued', 'link.created', 'command.composed'],
  ],
  ['a dispatch', () => post(`/tasks/${ids.task}/dispatch`, { channel: 'hand' }, 200), ['command.sent']],
  [
    'an attestation',
    () => post(`/tasks/${ids.task}/attest`, { state: 'fetched', note: 'N' }, 200),
    ['task.attested', 'task.moved'],
  ],
  ['a refused attestation', () => post(`/tasks/${ids.task}/attest`, { state: 'confirmed', note: 'N' }, 409), []],
  ['the target reported', () => report('2.0.0'), ['checkin.accepted', 'task.moved', 'task.moved', 'task.flagged']],
  [
    'confirmed',
    async () => {
      test.advance(900_000)
      await report('2.0.0')
    },
    ['checkin.accepted', 'task.moved', 'task.closed', 'link.ended'],
  ],
  [
    'a report afterwards',
    async () => {
      test.advance(60_000)
      await report('2.0.0')
    },
    ['checkin.accepted', 'task.afterwards'],
  ],
  [
    'a hand task',
    async () => {
      ids.hand = (await post('/tasks', { unit: ids.unit, package: ids.pack, method: 'card', force: true })).tasks[0].id
    },
    ['link.created', 'task.issued'],
  ],
  [
    'a cancel',
    () => post(`/tasks/${ids.hand}/cancel`, { reason: 'R' }, 200),
    ['task.cancelled', 'task.moved', 'task.closed', 'link.ended'],
  ],
  [
    'a link',
    async () => {
      ids.link = (await post('/links', { package: ids.pack, kind: 'copy' })).id
    },
    ['link.created'],
  ],
  ['a revoked link', () => test.call('DELETE', `/links/${ids.link}`), ['link.ended']],
  ['a link that has ended already', () => test.call('DELETE', `/links/${ids.link}`), []],
  [
    'one more task',
    async () => {
      ids.last = (await post('/tasks', { unit: ids.unit, package: ids.pack, force: true })).tasks[0].id
    },
    ['task.issued', 'link.created', 'command.composed'],
  ],
  [
    'superseded by a newer package',
    async () => {
      ids.newer = await upload('2.1.0')
      await post(`/packages/${ids.newer}/release`, {}, 200)
      await post('/tasks', { unit: ids.unit, package: ids.newer, supersede: true })
    },
    [
      'package.added',
      'package.released',
      'task.moved',
      'task.closed',
      'link.ended',
      'task.issued',
      'link.created',
      'command.composed',
    ],
  ],
  [
    'a withdrawal',
    () => post(`/packages/${ids.newer}/withdraw`, { reason: 'W' }, 200),
    ['package.withdrawn', 'link.ended', 'task.moved', 'task.closed'],
  ],
  ['a copy of the log', () => copyOf(), ['audit.exported']],
  [
    'reading',
    async () => {
      await since(0)
      await test.call('GET', '/units')
      await head()
    },
    [],
  ],
  ['a login', () => post('/session', { key: test.keys.auditor }), []],
]

describe('every change', () => {
  it('is logged once, by its action, and nothing else is', async () => {
    for (const [what, change, actions] of CHANGES) {
      const before = await head()
      await change()
      const entries = await since(before.seq)
      expect(
        entries.map((entry) => entry.action),
        what,
      ).toEqual(actions)
      for (const entry of entries) {
        expect(entry.at).toMatch(/^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$/)
        expect(entry.actor).toEqual({ id: expect.stringMatching(/^k_/), role: 'integrator', via: 'api' })
        expect(entry.labels.actorName).toBe('first integrator')
        if (entry.action.startsWith('task.'))
          expect(entry, what).toMatchObject({
            unit: ids.unit,
            task: expect.stringMatching(/^t_/),
            toVersion: expect.any(String),
            sha256: expect.stringMatching(/^[0-9a-f]{64}$/),
          })
      }
    }
  })

  it('names the door that it came by', async () => {
    const before = await head()
    await fetch(`${test.publicUrl}/in/check-ins`, {
      method: 'POST',
      headers: { authorization: `Bearer ${test.keys['check-in']}`, 'content-type': 'application/json' },
      body: JSON.stringify({ unit: ids.unit, version: '2.0.1' }),
    })
    const [entry] = await since(before.seq)
    expect(entry.actor).toMatchObject({ role: 'check-in', via: 'public' })
    expect((await since(0))[0].actor).toMatchObject({ id: 'cli', via: 'cli' }) // The first key, made by init.
  })
})

describe('the export', () => {
  it('as JSONL has exactly the members of its description, and is right by two independent checks', async () => {
    const text = await copyOf()
    const { entries, first } = checkByHand(text)
    expect(first).toEqual({
      type: 'head',
      format: 'firmhand-audit/1',
      server: expect.stringMatching(/^srv_/),
      exportedAt: expect.any(String),
      filter: null,
      complete: true,
    })
    for (const entry of entries) {
      const names = [
        'type',
        'seq',
        'at',
        'actor',
        'action',
        'unit',
        'task',
        'package',
        'fromVersion',
        'toVersion',
        'sha256',
        'detail',
        'labelsHash',
        'prev',
        'hash',
        'labels',
      ]
      expect(Object.keys(entry).sort()).toEqual(names.sort())
    }
    expect(entries.at(-1).action).toBe('audit.exported') // The copy shows who took it.
    const now = await head()
    expect(await verify(text, now)).toEqual({
      ok: true,
      complete: true,
      entries: entries.length,
      lastSeq: now.seq,
      lastHash: now.hash,
      fault: null,
    })
  })

  it('that was touched is found out', async () => {
    const text = await copyOf()
    const lines = text.split('\n')
    const damaged: [string, string][] = [
      ['changed', text.replace('"action":"package.released"', '"action":"package.changed"')],
      ['missing', lines.filter((_, index) => index !== 5).join('\n')],
      ['reordered', [...lines.slice(0, 5), lines[6], lines[5], ...lines.slice(7)].join('\n')],
      ['cut', lines.slice(0, -4).join('\n')],
    ]
    for (const [kind, copy] of damaged) expect((await verify(copy)).fault?.kind, kind).toBe(kind)
    const kept = await head()
    await test.call('PATCH', `/units/${ids.unit}`, { notes: 'later' })
    expect((await verify(await copyOf(), kept)).ok).toBe(true)
    expect((await verify(text, await head())).ok).toBe(false) // An older copy lacks the newer head.
  })

  it('filtered is not complete, but each entry is checked', async () => {
    const day = (ms: number) => encodeURIComponent(new Date(test.nowMs() + ms).toISOString())
    const queries: [string, (entry: Entry) => boolean][] = [
      [`&unit=${testImei(1)}`, (entry) => entry.unit === ids.unit],
      ['&action=link.', (entry) => entry.action.startsWith('link.')],
      ['&action=task.issued', (entry) => entry.action === 'task.issued'],
      ['&actor=cli', (entry) => entry.actor.id === 'cli'],
      [`&from=${day(-60_000)}`, (entry) => Date.parse(entry.at) >= test.nowMs() - 61_000],
      [`&to=${day(-60_000)}`, (entry) => Date.parse(entry.at) < test.nowMs() - 59_000],
    ]
    const all = (await since(0)).length
    for (const [query, matches] of queries) {
      const { entries, first } = checkByHand(await copyOf(query))
      expect(first.complete).toBe(false)
      expect(first.filter).not.toBeNull()
      expect(entries.length, query).toBeGreaterThan(0)
      expect(entries.length, query).toBeLessThan(all)
      expect(entries.every(matches), query).toBe(true)
    }
    expect(await verify(await copyOf('&action=link.'))).toMatchObject({ ok: true, complete: false })
    expect((await test.call('GET', '/audit?unit=nobody')).status).toBe(404)
    expect((await test.call('GET', '/audit?action=%25.')).status).toBe(400)
  })

  it('as JSON pages by seq', async () => {
    const all = await since(0)
    const seen: number[] = []
    for (let next: string | null = '0'; next !== null; ) {
      const page = await test.call('GET', `/audit?limit=7&after=${next}`)
      seen.push(...page.body.items.map((entry: Entry) => entry.seq))
      next = page.body.next
    }
    expect(seen).toEqual(all.map((entry) => entry.seq))
  })

  it('as CSV opens rightly in a spreadsheet, and runs no formula', async () => {
    // Cells that begin so would run (OWASP, CSV Injection); the last three are what a name may hold besides.
    const names = ['=1+2";=1+2', '+44', '-1', '@SUM(A1)', '\ttab', '\rcr', '\nlf', '＝1', 'a,"b"', "it's", 'plain']
    for (const name of names) {
      const made = await post('/keys', { name, role: 'auditor' })
      await fetch(`${test.officeUrl}/api/v1/audit?format=csv`, { headers: { authorization: `Bearer ${made.secret}` } })
    }
    const response = await fetch(`${test.officeUrl}/api/v1/audit?format=csv`, {
      headers: { authorization: `Bearer ${test.keys.integrator}` },
    })
    expect(response.headers.get('content-type')).toMatch(/^text\/csv/)
    const bytes = Buffer.from(await response.arrayBuffer())
    expect([...bytes.subarray(0, 3)]).toEqual([0xef, 0xbb, 0xbf])
    const rows = readCsv(bytes.toString('utf8').slice(1))
    const column = rows[0]!.indexOf('actorName')
    expect(rows.every((row) => row.length === rows[0]!.length)).toBe(true)
    const found = rows.map((row) => row[column]!)
    expect(found).toEqual(expect.arrayContaining(names.map((name, index) => (index < 8 ? `'${name}` : name))))
    for (const row of rows) for (const cell of row) expect(cell).not.toMatch(/^[=+\-@\t\r\n＝＋－＠]/)
    expect(bytes.toString('utf8')).toContain(`"'=1+2"";=1+2"`) // The example of the OWASP page, as it must be written.
  })
})

/** RFC 4180 §2, read by its grammar. */
function readCsv(text: string): string[][] {
  const rows: string[][] = [[]]
  for (let at = 0; at < text.length; ) {
    const [whole, quoted, plain, end] = /(?:"((?:[^"]|"")*)"|([^,\r\n"]*))(,|\r\n)/y.exec(
      text.slice(at),
    ) as unknown as string[]
    rows.at(-1)!.push(quoted === undefined ? plain! : quoted.replaceAll('""', '"'))
    at += whole!.length
    if (end === '\r\n' && at < text.length) rows.push([])
  }
  return rows
}

describe('personal data', () => {
  it('stands in the labels only', async () => {
    const { entries } = checkByHand(await copyOf())
    const labelled = JSON.stringify(entries.map((entry) => entry.labels))
    const hashed = JSON.stringify(entries.map(({ labels: _labels, ...rest }) => rest))
    for (const personal of [testImei(1), 'S-1', '+441632960961', 'first integrator', '@SUM(A1)', '"N"']) {
      expect(labelled, personal).toContain(personal)
      expect(hashed, personal).not.toContain(personal)
    }
  })

  it('can be erased from the record, and the log still verifies; labels put in their place are found out', async () => {
    const database = new Database(path.join(test.dataFolder, 'firmhand.db'))
    database.prepare('update audit set labels = null where unit_id = ?').run(ids.unit)
    database.close()
    const text = await copyOf()
    const { entries } = checkByHand(text)
    const erased = entries.filter((entry) => entry.unit === ids.unit)
    expect(erased.length).toBeGreaterThan(5)
    expect(erased.every((entry) => entry.labels === null && /^[0-9a-f]{64}$/.test(entry.labelsHash))).toBe(true)
    expect(await verify(text)).toMatchObject({ ok: true, complete: true })
    const forged = text.replace('"labels":null', '"labels":{"salt":"00","imei":"490154203237518"}')
    expect((await verify(forged)).fault?.kind).toBe('changed')
  })
})
