// Restoring: all of it or nothing, checked, and everything on hold. One test for each thing that can be wrong with a backup.
import { createHash, randomBytes } from 'node:crypto'
import {
  cpSync,
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  truncateSync,
  writeFileSync,
} from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startApp } from '../../src/app.js'
import { hashOf } from '../../src/audit/chain.js'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { readConfig } from '../../src/config.js'
import { createLogger } from '../../src/logger.js'
import { lockDataFolder } from '../../src/server/data-folder.driver.js'
import { cli } from '../cli/run.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { freePorts } from '../support/serve.js'

let test: TestApp
let target: string
let head: string
let env: Record<string, string>
const file = randomBytes(2_500_000)
let ids: { tasks: string[]; links: string[]; revokedLink: string; urls: string[] }

beforeAll(async () => {
  test = await startTestApp()
  const { packageId, imeis } = await prepare(test, { bytes: file, units: 4 })
  const { tasks } = (await test.call('POST', '/tasks', { units: imeis.slice(0, 3), package: packageId })).body
  await test.call('POST', `/tasks/${tasks[0].id}/dispatch`, { channel: 'hand' })
  await test.call('POST', '/check-ins', { unit: imeis[3], version: '1.0.0' })
  target = path.join(test.folder, 'backup')
  env = { FIRMHAND_DATA: test.dataFolder }
  head = (await cli(['backup', target, '--json'], env)).json().head
  // What happens after the backup, and is not in it.
  await test.call('POST', `/tasks/${tasks[1].id}/dispatch`, { channel: 'hand' })
  await test.call('DELETE', `/links/${tasks[2].link.id}`)
  ids = {
    tasks: tasks.map((task: { id: string }) => task.id),
    links: tasks.map((task: { link: { id: string } }) => task.link.id),
    urls: tasks.map((task: { link: { url: string } }) => task.link.url),
    revokedLink: tasks[2].link.id,
  }
})
afterAll(() => test.stop())

let count = 0
const fresh = (name: string) => path.join(test.folder, `${name}-${++count}`)
const restoreTo = (data: string, from = target, ...more: string[]) =>
  cli(['restore', from, '--json', ...more], { FIRMHAND_DATA: data })
const setIn = (folder: string) => path.join(folder, 'sets', readdirSync(path.join(folder, 'sets')).sort().at(-1)!)
const rowsOf = (database: string) => {
  const db = new BetterSqlite(database, { readonly: true })
  try {
    const tables = db.prepare("select name from sqlite_schema where type = 'table' order by name").all() as {
      name: string
    }[]
    return Object.fromEntries(
      tables.map(({ name }) => [name, db.prepare(`select * from "${name}" order by 1, 2`).all() as unknown[]]),
    )
  } finally {
    db.close()
  }
}

describe('a restored server', () => {
  let data: string
  let officeUrl: string
  let publicUrl: string
  let app: Awaited<ReturnType<typeof startApp>>
  beforeAll(async () => {
    data = fresh('restored')
    const [publicPort, officePort] = (await freePorts(2)) as [number, number]
    officeUrl = `http://127.0.0.1:${officePort}`
    publicUrl = `http://127.0.0.1:${publicPort}`
    const said = await restoreTo(data)
    expect(said).toMatchObject({ exit: 0, err: '' })
    expect(said.json()).toMatchObject({ head, onHold: true, held: { openTasks: 3, liveLinks: 3, unsentCommands: 2 } })
    app = await startApp(
      readConfig({
        FIRMHAND_DATA: data,
        FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${publicPort}`,
        FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${officePort}`,
        FIRMHAND_PUBLIC_URL: publicUrl,
        FIRMHAND_LOG_LEVEL: 'silent',
      }),
      createLogger('silent'),
    )
  })
  afterAll(() => app.stop())
  const call = async (method: string, at: string, body?: unknown) => {
    const response = await fetch(`${officeUrl}/api/v1${at}`, {
      method,
      headers: {
        authorization: `Bearer ${test.keys.integrator}`,
        ...(body !== undefined && { 'content-type': 'application/json' }),
      },
      ...(body !== undefined && { body: JSON.stringify(body) }),
    })
    const text = await response.text()
    return { status: response.status, body: text.startsWith('{') && !at.includes('jsonl') ? JSON.parse(text) : text }
  }

  it('has every row of the backup and no other, but for what the restore itself wrote', () => {
    const [before, after] = [rowsOf(path.join(setIn(target), 'firmhand.db')), rowsOf(path.join(data, 'firmhand.db'))]
    for (const [table, rows] of Object.entries(before)) {
      if (['session', 'hold', 'audit', 'server', 'kysely_migration_lock'].includes(table)) continue
      expect(after[table], table).toEqual(rows)
    }
    const entries = before.audit!.length
    expect(after.audit!.slice(0, entries)).toEqual(before.audit)
    expect(after.session).toEqual([])
    const stored = readdirSync(path.join(data, 'packages'), { recursive: true, encoding: 'utf8' })
      .map((name) => path.join(data, 'packages', name))
      .filter((name) => statSync(name).isFile())
    expect(stored.map((name) => readFileSync(name).equals(file))).toEqual([true])
    expect(statSync(path.join(data, 'secret')).mode & 0o777).toBe(0o600)
  })

  it('names in its log the backup and its head, before anything else, and the log verifies with the head', async () => {
    const copy = await call('GET', '/audit?format=jsonl')
    const [seq, hash] = head.split(':') as [string, string]
    const verified = await verifyExport(exportLines([Buffer.from(copy.body)]), { seq: Number(seq), hash })
    expect(verified).toMatchObject({ ok: true, complete: true })
    const next = (await call('GET', `/audit?after=${seq}&limit=1`)).body.items[0]
    expect(next).toMatchObject({
      action: 'hold.set',
      actor: { id: 'cli', via: 'cli' },
      detail: { cause: 'restore', backupHead: head, held: { openTasks: 3, liveLinks: 3, unsentCommands: 2 } },
    })
    expect((await call('GET', '/hold')).body).toMatchObject({ onHold: true, cause: 'restore', backup: { head } })
  })

  it('repeats no command and serves nothing, be it revoked since the backup or not', async () => {
    for (const url of ids.urls) {
      const answer = await fetch(url.replace(test.publicUrl, publicUrl))
      expect(answer.status).toBe(503)
      expect((await answer.arrayBuffer()).byteLength).toBe(0)
    }
    // The one that was sent after the backup: the record does not know of it, so it must not be offered again.
    const task = (await call('GET', `/tasks/${ids.tasks[1]}`)).body
    expect(task.command).toMatchObject({
      onHold: true,
      text: expect.not.stringContaining(ids.urls[1]!.split('/').at(-2)!),
    })
    expect((await call('POST', `/tasks/${ids.tasks[1]}/dispatch`, { channel: 'hand' })).body.code).toBe('on-hold')
  })

  it('goes on after the review: what was revoked in between is revoked again, and the deadlines are later by the gap', async () => {
    expect((await call('DELETE', `/links/${ids.revokedLink}`)).status).toBe(204)
    const { held, backup } = (await call('GET', '/hold')).body
    expect(held).toMatchObject({ openTasks: 3, liveLinks: 2 })
    const was = (await test.call('GET', `/tasks/${ids.tasks[0]}`)).body.deadline
    expect((await call('POST', '/hold/release', { note: 'reviewed', acknowledge: held })).status).toBe(200)
    const released = (await call('GET', '/audit?action=hold.released')).body.items[0]
    const now = (await call('GET', `/tasks/${ids.tasks[0]}`)).body.deadline
    expect(Date.parse(now) - Date.parse(was)).toBe(Date.parse(released.at) - Date.parse(backup.at))
    const answers = await Promise.all(ids.urls.map((url) => fetch(url.replace(test.publicUrl, publicUrl))))
    expect(answers.map(({ status }) => status)).toEqual([200, 200, 410])
    expect(Buffer.from(await answers[0]!.arrayBuffer()).equals(file)).toBe(true)
  })
})

describe('a restore that is refused', () => {
  it('where a server holds the folder: it is told, and nothing is touched', async () => {
    const before = readdirSync(test.dataFolder).sort()
    const said = await restoreTo(test.dataFolder)
    expect(said).toMatchObject({ exit: 1 })
    expect(said.json().error.detail).toMatch(/Another server runs on/)
    expect(readdirSync(test.dataFolder).sort()).toEqual(before)
  })

  it('where anything lies in the folder', async () => {
    const data = fresh('used')
    mkdirSync(data)
    writeFileSync(path.join(data, 'note'), 'mine')
    expect((await restoreTo(data)).json().error).toMatchObject({ code: 'restore-refused' })
    expect(readdirSync(data)).toEqual(['note'])
  })

  it('where another restore into it runs, and not where one was killed', async () => {
    const data = fresh('twice')
    mkdirSync(`${data}.restoring/packages`, { recursive: true })
    writeFileSync(`${data}.restoring/packages/left`, 'by a restore that was killed')
    const unlock = lockDataFolder(`${data}.restoring`)
    expect((await restoreTo(data)).exit).toBe(1)
    unlock()
    expect((await restoreTo(data)).exit).toBe(0)
    expect(existsSync(path.join(data, 'packages', 'left'))).toBe(false)
  })

  it('and is not where the folder is empty', async () => {
    const data = fresh('empty')
    mkdirSync(data)
    expect((await restoreTo(data)).exit).toBe(0)
  })

  it('where there is no backup, or none of that name', async () => {
    expect((await restoreTo(fresh('x'), fresh('nothing'))).json().error.code).toBe('backup-broken')
    for (const set of ['2001-01-01T00-00-00-000Z', '../sets'])
      expect((await restoreTo(fresh('x'), target, '--set', set)).json().error.code).toBe('backup-broken')
  })
})

/** Changes the database of a set, and lets the manifest agree: as somebody would who wants to be believed. */
function forge(set: string, change: (db: BetterSqlite.Database) => void): void {
  const database = path.join(set, 'firmhand.db')
  const db = new BetterSqlite(database)
  db.pragma('foreign_keys = off')
  change(db)
  db.close()
  const manifest = JSON.parse(readFileSync(path.join(set, 'manifest.json'), 'utf8'))
  const bytes = readFileSync(database)
  manifest.files['firmhand.db'] = { sizeBytes: bytes.length, sha256: sha256(bytes) }
  seal(set, manifest)
}
const sha256 = (bytes: Buffer) => createHash('sha256').update(bytes).digest('hex')
function seal(set: string, { manifestHash: _old, ...manifest }: Record<string, unknown>): void {
  writeFileSync(path.join(set, 'manifest.json'), JSON.stringify({ ...manifest, manifestHash: hashOf(manifest) }))
}
const packageOf = (folder: string) =>
  readdirSync(path.join(folder, 'packages'), { recursive: true, encoding: 'utf8' })
    .map((name) => path.join(folder, 'packages', name))
    .find((name) => statSync(name).isFile())!
const flip = (name: string, at: number) => {
  const bytes = readFileSync(name)
  bytes[at]! ^= 1
  writeFileSync(name, bytes)
}

describe('a backup that is not whole', () => {
  const FAULTS: [what: string, said: RegExp, spoil: (folder: string, set: string) => void][] = [
    ['without its manifest', /manifest is missing/, (_f, set) => rmSync(path.join(set, 'manifest.json'))],
    [
      'a manifest cut short',
      /manifest cannot be read/,
      (_f, set) => truncateSync(path.join(set, 'manifest.json'), 300),
    ],
    [
      'a manifest with another number',
      /manifest was changed/,
      (_f, set) => {
        const name = path.join(set, 'manifest.json')
        writeFileSync(name, readFileSync(name, 'utf8').replace('"units": 4', '"units": 5'))
      },
    ],
    ['the form of a newer program', /use a newer one/, (_f, set) => seal(set, { format: 'firmhand-backup/2' })],
    ['a database cut short', /firmhand\.db is changed/, (_f, set) => truncateSync(path.join(set, 'firmhand.db'), 8192)],
    [
      'a database with one bit changed',
      /firmhand\.db is changed/,
      (_f, set) => flip(path.join(set, 'firmhand.db'), 20_000),
    ],
    ['without its database', /firmhand\.db is missing/, (_f, set) => rmSync(path.join(set, 'firmhand.db'))],
    ['another secret', /secret is changed/, (_f, set) => flip(path.join(set, 'secret'), 3)],
    ['without its secret', /secret is missing/, (_f, set) => rmSync(path.join(set, 'secret'))],
    ['without its settings', /settings\.json is missing/, (_f, set) => rmSync(path.join(set, 'settings.json'))],
    ['a package with one bit changed', /package [0-9a-f]{64} is changed/, (folder) => flip(packageOf(folder), 77)],
    ['a package cut short', /package [0-9a-f]{64} is changed/, (folder) => truncateSync(packageOf(folder), 1000)],
    ['without a package', /package [0-9a-f]{64} is missing/, (folder) => rmSync(packageOf(folder))],
    [
      'a manifest that leaves a package out',
      /does not list the package files/,
      (_f, set) => seal(set, { ...JSON.parse(readFileSync(path.join(set, 'manifest.json'), 'utf8')), packages: [] }),
    ],
    [
      'a secret that is not that of the database',
      /secret does not belong/,
      (_f, set) => {
        const text = `${'ab'.repeat(32)}\n`
        writeFileSync(path.join(set, 'secret'), text)
        const manifest = JSON.parse(readFileSync(path.join(set, 'manifest.json'), 'utf8'))
        manifest.files.secret = { sizeBytes: text.length, sha256: sha256(Buffer.from(text)) }
        seal(set, manifest)
      },
    ],
    [
      'an entry of the log changed',
      /entry 3 is not what was written/,
      (_f, set) => forge(set, (db) => db.exec("update audit set body = replace(body, 'k_', 'j_') where seq = 3")),
    ],
    [
      'an entry of the log filed under another unit',
      /entry 5 is filed under something else/,
      (_f, set) => forge(set, (db) => db.exec("update audit set unit_id = 'u_other' where seq = 5")),
    ],
    [
      'an entry of the log taken out',
      /entry 4 is missing/,
      (_f, set) => forge(set, (db) => db.exec('delete from audit where seq = 4')),
    ],
    [
      'labels of the log changed',
      /has other labels/,
      (_f, set) =>
        forge(set, (db) =>
          db.exec("update audit set labels = replace(labels, 'first', 'second') where labels like '%first%'"),
        ),
    ],
    [
      'the end of the log cut off',
      /log ends at entry/,
      (_f, set) => forge(set, (db) => db.exec('delete from audit where seq = (select max(seq) from audit)')),
    ],
    [
      'a row that points nowhere',
      /points to no row/,
      (_f, set) => forge(set, (db) => db.exec("update unit set model_id = 'none'")),
    ],
    [
      'a row taken out',
      /holds 3 units|points to no row/,
      (_f, set) => forge(set, (db) => db.exec('delete from unit where rowid = 4')),
    ],
    [
      'the database of a newer program',
      /made by a newer program/,
      (_f, set) => forge(set, (db) => db.exec("insert into kysely_migration values ('9999_future', '2030')")),
    ],
  ]

  it.each(FAULTS)('%s: the fault is named, and nothing is left behind', async (what, said, spoil) => {
    const folder = fresh('broken')
    cpSync(target, folder, { recursive: true })
    spoil(folder, setIn(folder))
    const data = fresh('none')
    const result = await restoreTo(data, folder)
    expect(result.exit, what).toBe(1)
    const { code, detail } = result.json().error
    expect(code).toBe('backup-broken')
    expect(detail).toMatch(said)
    expect(existsSync(data)).toBe(false)
    expect(existsSync(`${data}.restoring`)).toBe(false)
  })

  it('made anew from end to end is found out by a head that was kept elsewhere', async () => {
    const [seq] = head.split(':')
    const wrong = `${seq}:${'0'.repeat(64)}`
    expect((await restoreTo(fresh('x'), target, '--head', wrong)).json().error.detail).toMatch(/another one/)
    const later = `${Number(seq) + 5}:${'0'.repeat(64)}`
    expect((await restoreTo(fresh('x'), target, '--head', later)).json().error.detail).toMatch(/before the head/)
    expect((await restoreTo(fresh('x'), target, '--head', head)).exit).toBe(0)
  })

  it('for a package that was damaged when it was made, brings all the rest, and that one is not given out', async () => {
    const folder = fresh('lacking')
    const stored = packageOf(test.dataFolder)
    writeFileSync(stored, 'rot')
    expect((await cli(['backup', folder, '--json'], env)).exit).toBe(1)
    writeFileSync(stored, file)
    const data = fresh('lacking-data')
    const said = await restoreTo(data, folder)
    expect(said.exit).toBe(0)
    expect(said.json().damaged).toMatchObject([{ fault: 'changed' }])
    const db = new BetterSqlite(path.join(data, 'firmhand.db'), { readonly: true })
    expect(db.prepare('select count(*) n from blob_check where damaged_at_ms is not null').get()).toEqual({ n: 1 })
    expect(db.prepare("select count(*) n from audit where action = 'package.damaged'").get()).toEqual({ n: 1 })
    db.close()
  })
})
