// Copy links with the programs that technicians have: the right file name, one download for many tasks, and how one ends.
import { execFile, spawnSync } from 'node:child_process'
import { createHash, randomBytes } from 'node:crypto'
import { mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { promisify } from 'node:util'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { cli, shellOf } from '../cli/run.js'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'

const BYTES = randomBytes(300_000)
const NAME = 'Cam-2.0.0.BIN'
let test: TestApp
let folder: string
let packageId: string
let unitIds: string[]
beforeAll(async () => {
  test = await startTestApp()
  folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-copies-'))
  ;({ packageId, unitIds } = await prepare(test, {
    bytes: BYTES,
    units: 12,
    profile: { fileName: 'Cam-{version}.BIN' },
  }))
})
afterAll(async () => {
  await test.stop()
  rmSync(folder, { recursive: true, force: true })
})

let units = 0
const issue = async (method = 'card') =>
  (await test.call('POST', '/tasks', { unit: unitIds[units++], package: packageId, method })).body.tasks[0]
const make = async (body: object) =>
  (await test.call('POST', '/links', { package: packageId, kind: 'copy', ...body })).body
const task = async (id: string) => (await test.call('GET', `/tasks/${id}`)).body
const statusOf = async (url: string) => (await fetch(url, { method: 'HEAD' })).status
const listed = async (query: string, key?: string) =>
  (await test.call('GET', `/links?${query}`, undefined, key === undefined ? {} : { key })).body.items

// Each saves under the name that it finds by itself; the address is typed in small letters, as people do.
const PROGRAMS: [program: string, args: string[]][] = [
  ['curl', ['-sS', '-O', '-J']],
  ['wget', ['-q', '--content-disposition']],
  ['aria2c', ['-q', '--no-conf']],
]

describe.each(PROGRAMS)('%s', (program, args) => {
  it.skipIf(spawnSync(program, ['--version']).status !== 0)(
    'saves the file under its name to the letter, whole, and moves the tasks to fetched',
    async () => {
      const tasks = [await issue(), await issue('cable')]
      const link = await make({ tasks: tasks.map(({ id }) => id) })
      const cwd = mkdtempSync(path.join(folder, `${program}-`))
      const url = link.url.replace(NAME, NAME.toLowerCase())
      await promisify(execFile)(program, [...args, url], { cwd, env: { ...process.env, no_proxy: '*' } })
      expect(readdirSync(cwd)).toEqual([NAME])
      const sum = createHash('sha256')
        .update(readFileSync(path.join(cwd, NAME)))
        .digest('hex')
      expect(sum).toBe(createHash('sha256').update(BYTES).digest('hex'))
      for (const { id } of tasks) {
        const moved = await until(
          () => task(id),
          (found) => found.state === 'fetched',
        )
        expect(moved.moves.at(-1)).toMatchObject({ grade: 'copy', implied: false })
      }
    },
  )
})

describe('a copy link', () => {
  it('gives the file again and again within its budget, and an empty 410 beyond it', async () => {
    const served = await issue()
    const link = await make({ tasks: [served.id], byteBudget: 3 * BYTES.length })
    const copy = async () => expect((await (await fetch(link.url)).arrayBuffer()).byteLength).toBe(BYTES.length)
    await copy()
    await until(
      () => task(served.id),
      (found) => found.state === 'fetched',
    )
    await copy()
    await copy()
    const over = await until(
      async () => {
        const answer = await fetch(link.url)
        return { status: answer.status, bytes: (await answer.arrayBuffer().catch(() => new ArrayBuffer(1))).byteLength }
      },
      ({ status }) => status === 410,
    )
    expect(over).toEqual({ status: 410, bytes: 0 })
    const [row] = await until(
      () => listed(`task=${served.id}`),
      (rows: { id: string; endReason: string | null }[]) => rows.some((one) => one.endReason === 'budget-spent'),
    ).then((rows) => rows.filter((one: { id: string }) => one.id === link.id))
    expect(row).toMatchObject({ state: 'ended', endReason: 'budget-spent', tasks: 1 })
    // Computers do not loop: the job goes on, with another link.
    expect((await task(served.id)).state).toBe('fetched')
    const next = await make({ tasks: [served.id] })
    expect(await statusOf(next.url)).toBe(200)
  })

  it('ends with the last of its tasks, not with the first', async () => {
    const [a, b] = [await issue(), await issue()]
    const link = await make({ tasks: [a.id, b.id] })
    await test.call('POST', `/tasks/${a.id}/cancel`, { reason: 'x' })
    expect(await statusOf(link.url)).toBe(200)
    await test.call('POST', `/tasks/${b.id}/cancel`, { reason: 'x' })
    expect(await statusOf(link.url)).toBe(410)
  })

  it('without a time of its own ends when a task issued now would', async () => {
    const link = await make({})
    expect(Math.abs(Date.parse(link.expiresAt) - test.nowMs() - 168 * 3_600_000)).toBeLessThan(60_000)
  })

  it('is in the log with the tasks that it serves', async () => {
    const served = await issue()
    const link = await make({ tasks: [served.id] })
    const { items } = (await test.call('GET', '/audit?action=link.created&limit=1000')).body
    const entry = items.find(({ detail }: { detail: { link: string } }) => detail.link === link.id)
    expect(entry.detail.tasks).toEqual([served.id])
  })
})

describe('the list of links', () => {
  it('is filtered, paged, and masked for auditors', async () => {
    const served = await issue()
    const link = await make({ tasks: [served.id] })
    const token = /\/d\/([^/]+)\//.exec(link.url)![1]!
    const mine = await listed(`task=${served.id}`)
    expect(mine.map(({ id }: { id: string }) => id)).toEqual([served.link.id, link.id])
    expect(mine[1]).toMatchObject({
      url: link.url,
      state: 'live',
      kind: 'copy',
      tasks: 1,
      endReason: null,
      sentBytes: 0,
    })
    const shown = await test.call('GET', `/links?task=${served.id}`, undefined, { key: test.keys.auditor })
    expect(JSON.stringify(shown.body)).not.toContain(token)
    expect(shown.body.items[1].url).toContain('/d/…/')
    expect((await test.call('GET', '/links', undefined, { key: test.keys['check-in'] })).status).toBe(403)
    await test.call('DELETE', `/links/${link.id}`)
    expect((await listed(`task=${served.id}&state=live`)).map(({ id }: { id: string }) => id)).toEqual([served.link.id])
    expect(await listed('kind=unit')).toEqual([])
    const first = (await test.call('GET', '/links?limit=1')).body
    expect(first.items).toHaveLength(1)
    expect((await listed(`limit=1&after=${first.next}`))[0].id).not.toBe(first.items[0].id)
  })

  it('and links themselves are made and ended by the command line', async () => {
    const fh = (...args: string[]) => cli(args, shellOf(test))
    const served = await issue()
    const added = await fh('link', 'add', '--package', packageId, '--tasks', served.id)
    expect(added.exit).toBe(0)
    const url = added.out.trim() // The address alone, so that a script can pass it on.
    expect(await statusOf(url)).toBe(200)
    const id = /l_\w+/.exec(added.err)![0]
    expect((await fh('link', 'list', '--task', served.id, '--live')).out).toContain(url)
    expect(await fh('link', 'revoke', id)).toMatchObject({ exit: 0, out: `link ${id} revoked\n` })
    expect(await statusOf(url)).toBe(410)
    expect((await fh('link', 'list', '--task', served.id)).out).toMatch(new RegExp(`${id} .*revoked`))
    expect((await fh('link', 'revoke', 'l_none', '--json')).json().error.code).toBe('link-not-found')
  })
})
