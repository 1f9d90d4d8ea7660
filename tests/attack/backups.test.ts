// Backups as somebody leaves them who wants to harm, or who did not think: nothing foreign is removed, followed or run.
import { execFileSync } from 'node:child_process'
import {
  chmodSync,
  cpSync,
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  statSync,
  symlinkSync,
  truncateSync,
  writeFileSync,
} from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { hashOf } from '../../src/audit/chain.js'
import { hashFile } from '../../src/blobs/check.driver.js'
import { cli } from '../cli/run.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
let good: string
let sha256: string
beforeAll(async () => {
  test = await startTestApp()
  ;({ sha256 } = await prepare(test, { bytes: Buffer.from('firmware of the tests') }))
  good = path.join(test.folder, 'good')
  await backup(good)
})
afterAll(() => test.stop())

let count = 0
const fresh = (name: string) => path.join(test.folder, `${name}-${++count}`)
const backup = (target: string, data = test.dataFolder) => cli(['backup', target, '--json'], { FIRMHAND_DATA: data })
const restore = (from: string, data = fresh('restored')) => cli(['restore', from, '--json'], { FIRMHAND_DATA: data })
const setIn = (folder: string) => path.join(folder, 'sets', readdirSync(path.join(folder, 'sets')).sort().at(-1)!)
const pipe = (file: string) => execFileSync('mkfifo', [file])

function changed(change: (folder: string) => void): string {
  const folder = fresh('backup')
  cpSync(good, folder, { recursive: true })
  change(folder)
  return folder
}

/** As somebody does who makes the manifest fit again. */
async function seal(folder: string): Promise<void> {
  const file = path.join(setIn(folder), 'manifest.json')
  const { manifestHash: _, ...manifest } = JSON.parse(readFileSync(file, 'utf8'))
  manifest.files['firmhand.db'] = await hashFile(path.join(setIn(folder), 'firmhand.db'))
  writeFileSync(file, JSON.stringify({ ...manifest, manifestHash: hashOf(manifest) }))
}

describe('restore refuses', () => {
  it.each([
    ['a manifest that is a pipe', (set: string) => pipe(replaced(set, 'manifest.json'))],
    ['a manifest without end', (set: string) => symlinkSync('/dev/zero', replaced(set, 'manifest.json'))],
    ['a manifest of a gigabyte', (set: string) => truncateSync(path.join(set, 'manifest.json'), 1024 ** 3)],
    ['a secret that is a pipe', (set: string) => pipe(replaced(set, 'secret'))],
    ['a secret that is a folder', (set: string) => mkdirSync(replaced(set, 'secret'))],
    ['a database that is a pipe', (set: string) => pipe(replaced(set, 'firmhand.db'))],
  ])('%s', async (_, change) => {
    const said = await restore(changed((folder) => change(setIn(folder))))
    expect(said.json()).toMatchObject({ error: { code: 'backup-broken' } })
  })

  it('a package that is a pipe', async () => {
    const folder = changed((at) => pipe(replaced(path.join(at, 'packages', sha256.slice(0, 2)), sha256)))
    expect((await restore(folder)).json()).toMatchObject({ error: { code: 'backup-broken' } })
  })

  it('a database with a trigger of its own, which would run with the first change, and a view', async () => {
    for (const sql of [
      'create trigger t after insert on hold begin delete from hold; end',
      'create view v as select 1',
    ]) {
      const folder = changed((at) => {
        const db = new BetterSqlite(path.join(setIn(at), 'firmhand.db'))
        db.exec(sql)
        db.pragma('journal_mode = delete')
        db.close()
      })
      await seal(folder)
      const said = await restore(folder)
      expect(said.json()).toMatchObject({
        error: { code: 'backup-broken', detail: expect.stringContaining('makes none') },
      })
    }
    // Sealed anew without it, it is taken: it is the trigger that counts.
    const same = changed(() => undefined)
    await seal(same)
    expect((await restore(same)).exit).toBe(0)
  })

  it.each([['../../outside'], ['/etc'], ['2026-01-01T00-00-00-000Z/../x']])('a set by the name %s', async (name) => {
    const said = await cli(['restore', good, '--set', name, '--json'], { FIRMHAND_DATA: fresh('restored') })
    expect(said.json()).toMatchObject({ error: { code: 'backup-broken' } })
  })
})

/** The name, with nothing there any more. */
function replaced(folder: string, name: string): string {
  rmSync(path.join(folder, name))
  return path.join(folder, name)
}

describe('where restore makes its copy', () => {
  it('a folder of somebody else is left alone, itself or by a link to it', async () => {
    const data = fresh('restored')
    const theirs = `${data}.restoring`
    mkdirSync(theirs)
    writeFileSync(path.join(theirs, 'letter.txt'), 'mine')
    expect((await restore(good, data)).json()).toMatchObject({ error: { code: 'restore-refused' } })
    expect(readFileSync(path.join(theirs, 'letter.txt'), 'utf8')).toBe('mine')

    const moved = fresh('elsewhere')
    renameSync(theirs, moved)
    rmSync(path.join(moved, 'letter.txt'))
    writeFileSync(path.join(moved, 'secret'), 'mine too')
    symlinkSync(moved, theirs)
    expect((await restore(good, data)).json()).toMatchObject({ error: { code: 'restore-refused' } })
    expect(readFileSync(path.join(moved, 'secret'), 'utf8')).toBe('mine too')
  })

  it('what an earlier restore left is cleared away, and no wider than it has to be', async () => {
    const data = fresh('restored')
    mkdirSync(`${data}.restoring`)
    chmodSync(`${data}.restoring`, 0o777)
    for (const name of ['lock', 'secret', 'firmhand.db', 'firmhand.db-wal'])
      writeFileSync(path.join(`${data}.restoring`, name), '')
    expect((await restore(good, data)).exit).toBe(0)
    expect(statSync(data).mode & 0o777).toBe(0o700)
    expect(existsSync(`${data}.restoring`)).toBe(false)
  })
})

describe('backup refuses', () => {
  it('a folder that holds the sets of another server: with --keep one would push the other out', async () => {
    const other = await startTestApp()
    try {
      const said = await backup(good, other.dataFolder)
      expect(said.json()).toMatchObject({ error: { code: 'backup-refused' } })
      expect(readdirSync(path.join(good, 'sets'))).toHaveLength(1)
    } finally {
      await other.stop()
    }
  })

  it.each(['packages', 'sets'])('a folder whose %s lead into the data folder', async (name) => {
    const target = fresh('target')
    mkdirSync(target)
    symlinkSync(path.join(test.dataFolder, 'packages'), path.join(target, name))
    expect((await backup(target)).json()).toMatchObject({ error: { code: 'backup-refused' } })
  })
})

describe('backup', () => {
  it.each([
    ['a pipe', pipe],
    ['a folder', (file: string) => mkdirSync(file)],
    ['a link to nowhere', (file: string) => symlinkSync('/nowhere', file)],
  ])('names a package that is %s, and holds all the rest', async (_, put) => {
    const file = path.join(test.dataFolder, 'packages', sha256.slice(0, 2), sha256)
    renameSync(file, `${file}.aside`)
    put(file)
    try {
      const said = await backup(fresh('target'))
      expect(said).toMatchObject({ exit: 1 })
      expect(said.json()).toMatchObject({ damaged: [{ sha256 }], packages: 0 })
    } finally {
      rmSync(file, { recursive: true })
      renameSync(`${file}.aside`, file)
    }
    expect((await backup(fresh('target'))).json()).toMatchObject({ damaged: [], packages: 1 })
  })

  it('is for its owner alone, whatever the umask is', async () => {
    const before = process.umask(0)
    const target = fresh('target')
    try {
      expect((await backup(target)).exit).toBe(0)
    } finally {
      process.umask(before)
    }
    const wide = (readdirSync(target, { recursive: true }) as string[])
      .map((name) => ({ name, mode: statSync(path.join(target, name)).mode & 0o777 }))
      .filter(({ name, mode }) => (mode & 0o077) !== 0 && name !== 'lock')
    expect(wide).toStrictEqual([])
  })
})
