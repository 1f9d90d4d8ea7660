// Backups of a folder that is in use, of one that is not, and of one whose backup was cut short. The true program, as a
// process of its own where it is killed or starved.
import { execFile, spawn } from 'node:child_process'
import { randomBytes } from 'node:crypto'
import {
  chmodSync,
  copyFileSync,
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  statSync,
  truncateSync,
  writeFileSync,
} from 'node:fs'
import path from 'node:path'
import { promisify } from 'node:util'
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { PROGRAM_VERSION, readManifest } from '../../src/upkeep/manifest.js'
import { cli, ROOT } from '../cli/run.js'
import { prepare, startTestApp, type TestApp, testImei, until } from '../support/app.js'

let test: TestApp
let target: string
let env: Record<string, string>
const file = randomBytes(3_000_000)
beforeAll(async () => {
  test = await startTestApp()
  await prepare(test, { bytes: file, units: 8 })
  target = path.join(test.folder, 'backup')
  env = { FIRMHAND_DATA: test.dataFolder, FIRMHAND_PUBLIC_URL: test.publicUrl }
})
afterAll(() => test.stop())

const setsIn = (folder: string) => readdirSync(path.join(folder, 'sets')).sort()
const rowsOf = (database: string, sql: string) => {
  const db = new BetterSqlite(database, { readonly: true })
  try {
    return db.prepare(sql).all()
  } finally {
    db.close()
  }
}

describe('a backup while the server works', () => {
  it('holds all that was answered before it began, at one moment, and stops nothing', async () => {
    let stop = false
    const answered: string[] = []
    const reporter = async (name: string) => {
      for (let n = 0; !stop; n += 1) {
        const id = `${name}-${n}`
        const answer = await test.call('POST', '/check-ins', { unit: testImei(1 + (n % 8)), version: `1.0.${n}`, id })
        expect(answer.body.results[0].accepted).toBe(true)
        answered.push(id)
      }
    }
    const working = [reporter('a'), reporter('b'), reporter('c')]
    await until(
      async () => answered.length,
      (count) => count > 50,
    )
    const before = [...answered]
    const made = await cli(['backup', target, '--json'], env)
    const during = answered.length
    await until(
      async () => answered.length,
      (count) => count > during + 20,
    )
    stop = true
    await Promise.all(working)

    expect(made).toMatchObject({ exit: 0, err: '' })
    const said = made.json()
    expect(said).toMatchObject({ packages: 1, copiedFiles: 1, copiedBytes: file.length, removed: [], damaged: [] })
    const database = path.join(said.folder, 'firmhand.db')
    const kept = new Set(
      (rowsOf(database, 'select external_id from checkin') as { external_id: string }[]).map((row) => row.external_id),
    )
    expect(before.filter((id) => !kept.has(id))).toEqual([])
    // One moment: each report with its entry in the log, and the head that is printed is the last one.
    const entries = rowsOf(database, "select count(*) n from audit where action = 'checkin.accepted'")
    expect(entries).toEqual([{ n: kept.size }])
    const [head] = rowsOf(database, 'select seq, hash from audit order by seq desc limit 1') as {
      seq: number
      hash: string
    }[]
    expect(said.head).toBe(`${head!.seq}:${head!.hash}`)
    // The server goes on from that very head.
    const later = (await test.call('GET', `/audit?after=${head!.seq - 1}&limit=1`)).body.items
    expect(later[0].hash).toBe(head!.hash)
  })

  it('is for its owner alone, and tells what it is', async () => {
    const [name] = setsIn(target)
    const set = path.join(target, 'sets', name!)
    const modeOf = (at: string) => statSync(at).mode & 0o777
    for (const folder of [target, path.join(target, 'sets'), set, path.join(target, 'packages')])
      expect(modeOf(folder), folder).toBe(0o700)
    for (const one of readdirSync(set)) expect(modeOf(path.join(set, one)), one).toBe(0o600)
    const manifest = readManifest(readFileSync(path.join(set, 'manifest.json'), 'utf8'))
    expect(manifest).toMatchObject({
      server: test.app.serverId,
      program: PROGRAM_VERSION,
      counts: { units: 8, packages: 1 },
    })
    expect(PROGRAM_VERSION).toBe(JSON.parse(readFileSync(path.join(ROOT, 'package.json'), 'utf8')).version)
    const settings = readFileSync(path.join(set, 'settings.json'), 'utf8')
    expect(JSON.parse(settings)).toEqual(env)
    expect(settings).not.toContain(test.keys.integrator)
  })

  it('a second time copies only what is new, and reads what is there already', async () => {
    const sha = readdirSync(path.join(target, 'packages')).flatMap((folder) =>
      readdirSync(path.join(target, 'packages', folder)).map((name) => path.join(target, 'packages', folder, name)),
    )
    const inode = statSync(sha[0]!).ino
    const added = await test.call('POST', '/packages?model=sill-cam&version=3.0.0&fileName=b.bin', randomBytes(1000))
    expect(added.status).toBe(201)
    expect((await cli(['backup', target, '--json'], env)).json()).toMatchObject({
      packages: 2,
      copiedFiles: 1,
      copiedBytes: 1000,
    })
    expect(statSync(sha[0]!).ino).toBe(inode)
    // No link to the original: what happens to one must not happen to the other.
    expect(statSync(sha[0]!).nlink).toBe(1)

    // Rot in the backup itself is found and mended from the original; --quick believes what has the right size.
    writeFileSync(sha[0]!, Buffer.alloc(file.length))
    expect((await cli(['backup', target, '--quick', '--json'], env)).json().copiedFiles).toBe(0)
    expect((await cli(['backup', target, '--json'], env)).json()).toMatchObject({ copiedFiles: 1, damaged: [] })
    expect(readFileSync(sha[0]!).equals(file)).toBe(true)
  })

  it('keeps as many as are wanted, the newest', async () => {
    const before = setsIn(target)
    const made = (await cli(['backup', target, '--keep', '2', '--json'], env)).json()
    expect(setsIn(target)).toEqual([before.at(-1), path.basename(made.folder)])
    expect(made.removed).toEqual(before.slice(0, -1))
    expect((await cli(['backup', target, '--keep', '0'], env)).exit).toBe(2)
  })
})

describe('a backup that cannot be made', () => {
  it('of a folder without a database makes none there', async () => {
    const nowhere = path.join(test.folder, 'nowhere')
    const said = await cli(['backup', target, '--json'], { FIRMHAND_DATA: nowhere })
    expect(said.exit).toBe(1)
    expect(said.json().error).toMatchObject({
      code: 'backup-refused',
      detail: expect.stringContaining('FIRMHAND_DATA'),
    })
    expect(existsSync(nowhere)).toBe(false)
  })

  it('into the data folder itself is refused, and leaves nothing there', async () => {
    const inside = path.join(test.dataFolder, 'packages', 'x')
    const said = await cli(['backup', inside, '--json'], env)
    expect(said.json().error).toMatchObject({ code: 'backup-refused' })
    expect(existsSync(inside)).toBe(false)
  })

  it('while another one runs is refused', async () => {
    const lock = new BetterSqlite(path.join(target, 'lock'))
    lock.exec('begin exclusive')
    try {
      expect((await cli(['backup', target, '--json'], env)).json().error.code).toBe('folder-in-use')
    } finally {
      lock.close()
    }
  })

  it('whole, for a damaged package, names it, exits 1, and holds all the rest', async () => {
    const { sha256 } = (await test.call('POST', '/packages?model=sill-cam&version=4.0.0&fileName=c.bin', 'abc')).body
      .digests
    const stored = path.join(test.dataFolder, 'packages', sha256.slice(0, 2), sha256)
    chmodSync(stored, 0o600)
    writeFileSync(stored, 'abd')
    const said = await cli(['backup', target, '--json'], env)
    expect(said.exit).toBe(1)
    expect(said.json()).toMatchObject({ damaged: [{ sha256, fault: 'changed' }], packages: 2 })
    writeFileSync(stored, 'abc')
    expect((await cli(['backup', target, '--json'], env)).json()).toMatchObject({ damaged: [], packages: 3 })
    // And from then on the good copy in the backup stands in for a bad original.
    truncateSync(stored, 1)
    expect(await cli(['backup', target, '--json'], env)).toMatchObject({ exit: 0 })
    writeFileSync(stored, 'abc')
  })
})

/** The data folder as it lies there, for programs that are killed or starved on it. */
function copyOfData(name: string): string {
  const folder = path.join(test.folder, name)
  mkdirSync(folder)
  const db = new BetterSqlite(path.join(test.dataFolder, 'firmhand.db'), { readonly: true })
  db.prepare('vacuum into ?').run(path.join(folder, 'firmhand.db'))
  db.close()
  copyFileSync(path.join(test.dataFolder, 'secret'), path.join(folder, 'secret'))
  for (const part of readdirSync(path.join(test.dataFolder, 'packages'))) {
    mkdirSync(path.join(folder, 'packages', part), { recursive: true })
    for (const one of readdirSync(path.join(test.dataFolder, 'packages', part)))
      copyFileSync(path.join(test.dataFolder, 'packages', part, one), path.join(folder, 'packages', part, one))
  }
  return folder
}

describe('a backup that is cut short', () => {
  it('by kill -9 at any moment is none, and the next one works', async () => {
    const data = copyOfData('killed-data')
    const into = path.join(test.folder, 'killed')
    const childEnv = { PATH: process.env.PATH, FIRMHAND_DATA: data }
    const program = path.join(ROOT, 'dist/src/main.js')
    let [cut, whole] = [0, 0]
    for (const afterMs of [60, 350, 420, 460, 500, 540, 600]) {
      const child = spawn(process.execPath, [program, 'backup', into], { env: childEnv, stdio: 'ignore' })
      const ended = new Promise<number | null>((resolve) => child.once('exit', (code) => resolve(code)))
      // From the moment that it has begun to write, where it does so at all.
      if (afterMs > 100) for (let n = 0; n < 600 && !existsSync(path.join(into, 'sets')); n += 1) await sleep(5)
      await sleep(afterMs > 100 ? afterMs - 350 : afterMs)
      child.kill('SIGKILL')
      if ((await ended) === 0) whole += 1
      else cut += 1
      if (!existsSync(path.join(into, 'sets'))) continue
      for (const name of setsIn(into).filter((one) => !one.endsWith('.part')))
        readManifest(readFileSync(path.join(into, 'sets', name, 'manifest.json'), 'utf8'))
    }
    expect(cut).toBeGreaterThan(0)
    const made = await cli(['backup', into, '--json'], { FIRMHAND_DATA: data })
    expect(made.exit).toBe(0)
    expect(setsIn(into).filter((name) => name.endsWith('.part'))).toEqual([])
    expect(setsIn(into).length).toBeGreaterThanOrEqual(1 + whole)
    const restored = path.join(test.folder, 'killed-restored')
    expect(await cli(['restore', into, '--json'], { FIRMHAND_DATA: restored })).toMatchObject({ exit: 0 })
  })

  // setrlimit(2), RLIMIT_FSIZE: a write beyond the limit fails as on a full disk. The database is larger than 100 KiB,
  // the package larger than 2,000 KiB.
  it.each([100, 2000])('by a disk that is full (%i KiB) says so, and leaves the earlier ones', async (limit) => {
    const data = copyOfData(`full-data-${limit}`)
    const into = path.join(test.folder, `full-${limit}`)
    expect((await cli(['backup', into], { FIRMHAND_DATA: data })).exit).toBe(0)
    const before = setsIn(into)
    if (limit === 2000) writeFileSync(packageIn(into), 'gone') // So that it has to be copied again.
    const shell = `ulimit -S -f ${limit}; exec "$0" "$@"`
    const program = path.join(ROOT, 'dist/src/main.js')
    const child = promisify(execFile)('bash', ['-c', shell, process.execPath, program, 'backup', into, '--json'], {
      env: { PATH: process.env.PATH, FIRMHAND_DATA: data },
    })
    const failed = (await child.catch((error: unknown) => error)) as { code: number; stdout: string }
    expect(failed.code).toBe(1)
    expect(JSON.parse(failed.stdout).error).toMatchObject({
      code: 'storage-full',
      detail: expect.stringContaining('are as they were'),
    })
    expect(setsIn(into)).toEqual(before)
    expect((await cli(['backup', into], { FIRMHAND_DATA: data })).exit).toBe(0)
  })
})

const sleep = (ms: number) => new Promise((resolve) => setTimeout(resolve, ms))

/** The largest package file of a backup. */
function packageIn(folder: string): string {
  const packages = path.join(folder, 'packages')
  const files = readdirSync(packages, { recursive: true, encoding: 'utf8' })
    .map((name) => path.join(packages, name))
    .filter((name) => statSync(name).isFile())
  return files.sort((a, b) => statSync(b).size - statSync(a).size)[0]!
}
