// Sheets by the API and the command line, of the true server: what each role gets, and what becomes of the link on them.
import { statSync } from 'node:fs'
import { readFile } from 'node:fs/promises'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { cli, shellOf } from '../cli/run.js'
import { prepare, startTestApp, type TestApp } from '../support/app.js'
import { modulesOfSvg, readQr } from './qr-reader.js'

const BYTES = Buffer.alloc(200_000, 7)
let test: TestApp
let packageId: string
let unitIds: string[]
let sha256: string
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId, unitIds, sha256 } = await prepare(test, {
    bytes: BYTES,
    units: 12,
    profile: { fileName: 'Cam-{version}.BIN', cautions: [{ code: 'hot', text: 'Ours gets hot.' }] },
  }))
})
afterAll(() => test.stop())

let units = 0
const issue = async (method: string, change: object = {}) =>
  (await test.call('POST', '/tasks', { unit: unitIds[units++], package: packageId, method, ...change })).body.tasks[0]
const sheetOf = (id: string, key?: string | null) =>
  test.call('GET', `/tasks/${id}/sheet`, undefined, key === undefined ? {} : { key })

describe('the sheet of a task', () => {
  it('holds the facts of the record, and its code leads to the file', async () => {
    const task = await issue('card')
    const answer = await sheetOf(task.id)
    expect(answer.status).toBe(200)
    expect(answer.headers.get('content-type')).toBe('text/html; charset=utf-8')
    expect(answer.headers.get('cache-control')).toBe('no-store')
    expect(answer.headers.get('content-security-policy')).toMatch(/^default-src 'none'; style-src 'sha256-[^' ]+'/)
    const page = answer.body as string
    const plain = page.replace(/<[^>]*>/g, '')
    for (const fact of [task.id, task.imei, sha256, String(BYTES.length), 'Cam-2.0.0.BIN', 'Ours gets hot.'])
      expect(plain).toContain(fact)
    const { seq, hash } = (await test.call('GET', '/audit/head')).body
    expect(plain).toContain(`log ${seq}:${hash.slice(0, 16)}`)
    const link = readQr(modulesOfSvg(page).rows)
    expect(link).toBe(task.link.url)
    expect(plain).toContain(link)
    expect(Buffer.from(await (await fetch(link)).arrayBuffer()).equals(BYTES)).toBe(true)
  })

  it('shows link and code to those who may use them, and to auditors neither', async () => {
    const task = await issue('cable')
    const token = /\/d\/([^/]+)\//.exec(task.link.url)![1]!
    for (const role of ['integrator', 'operator'] as const)
      expect((await sheetOf(task.id, test.keys[role])).body).toContain(token)
    const { status, body } = await sheetOf(task.id, test.keys.auditor)
    expect(status).toBe(200)
    expect(body).not.toContain(token)
    expect(body).not.toContain('<svg')
    expect(body).toContain('/d/…/Cam-2.0.0.BIN')
    expect((await sheetOf(task.id, test.keys['check-in'])).status).toBe(403)
    expect((await sheetOf(task.id, null)).status).toBe(401)
    const missing = await sheetOf('t_nothing')
    expect([missing.status, missing.body.code]).toEqual([404, 'task-not-found'])
  })

  it('has no link where it goes over the air: whoever opened it would be taken for the unit', async () => {
    const task = await issue('air')
    const token = /\/d\/([^/]+)\//.exec(task.link.url)![1]!
    const { body } = await sheetOf(task.id)
    expect(body).not.toContain(token)
    expect(body).not.toContain('<svg')
    expect(body).toContain('link is for the unit alone')
  })

  it('follows the link: a new copy link takes the place of one that was revoked', async () => {
    const task = await issue('hotspot')
    await test.call('DELETE', `/links/${task.link.id}`)
    const without = (await sheetOf(task.id)).body
    expect(without).not.toContain('<svg')
    expect(without).toContain(`firmhand link add --package ${packageId} --tasks ${task.id}`)
    const made = (await test.call('POST', '/links', { package: packageId, kind: 'copy', tasks: [task.id] })).body
    expect(readQr(modulesOfSvg((await sheetOf(task.id)).body).rows)).toBe(made.url)
    expect((await test.call('GET', `/tasks/${task.id}`)).body.link).toMatchObject({ id: made.id, state: 'live' })
  })

  it('of a closed task says stop, and has no link; an open one does not say stop', async () => {
    const task = await issue('card')
    expect((await sheetOf(task.id)).body).not.toContain('STOP')
    await test.call('POST', `/tasks/${task.id}/cancel`, { reason: '<i>Ada Example is ill</i>' })
    const { status, body } = await sheetOf(task.id)
    expect(status).toBe(200)
    expect(body).toContain('STOP. Task closed (cancelled)')
    expect(body).not.toContain('<svg')
    expect(body).not.toContain('Ada Example') // A person's own words are no matter for a workshop's wall.
  })
})

describe('a sheet that is printed late', () => {
  it('says that the unit reports the target already, and that the package was withdrawn', async () => {
    const task = await issue('card')
    await test.call('POST', '/check-ins?source=bench', { unit: task.imei, version: '2.0.0' })
    expect((await sheetOf(task.id)).body).toContain('STOP. The unit reports the new version already')
    const added = await test.call('POST', '/packages?model=sill-cam&version=3.0.0&fileName=a.bin', Buffer.from('three'))
    await test.call('POST', `/packages/${added.body.id}/release`, {})
    const unit = unitIds[units++]
    const body = { unit, package: added.body.id, method: 'card' }
    const other = (await test.call('POST', '/tasks', body)).body.tasks[0]
    await test.call('POST', `/tasks/${other.id}/attest`, { state: 'fetched', note: 'on the card' })
    await test.call('POST', `/packages/${added.body.id}/withdraw`, { reason: 'it loses its settings' })
    const page = (await sheetOf(other.id)).body
    expect(page).toContain('STOP. Package withdrawn')
    expect(page).not.toContain('firmhand link add')
    expect(page).not.toContain('<svg')
  })
})

describe('sheets of several tasks', () => {
  it('come in one page in the order asked for, each once; one that is not there is named', async () => {
    const [a, b] = [await issue('card'), await issue('cable')]
    const { status, body } = await test.call('GET', `/tasks/sheets?ids=${b.id},${a.id},${b.id}`)
    expect(status).toBe(200)
    expect(body.match(/<article/g)).toHaveLength(2)
    expect(body.indexOf(b.id)).toBeLessThan(body.indexOf(a.id))
    const missing = await test.call('GET', `/tasks/sheets?ids=${a.id},t_no`)
    expect([missing.status, missing.body.tasks]).toEqual([404, ['t_no']])
    for (const ids of [',', Array.from({ length: 101 }, (_, i) => `t_${i}`).join(',')])
      expect((await test.call('GET', `/tasks/sheets?ids=${ids}`)).body.code).toBe('request-invalid')
    expect(
      (await test.call('GET', `/tasks/sheets?ids=${a.id}`, undefined, { key: test.keys['check-in'] })).status,
    ).toBe(403)
  })

  it('are written by the command line into a file of one’s own, or given to stdout', async () => {
    const unit = unitIds[units++]!
    await test.call('PATCH', `/units/${unit}`, { groups: ['depot-9'] })
    const fh = (...args: string[]) => cli(args, shellOf(test))
    const issued = await fh('task', 'issue', '--unit', unit, '--package', packageId, '--method', 'card')
    const id = /t_\w+/.exec(issued.out)![0]
    expect(issued.out).toContain(`next: print the sheet: firmhand task sheet ${id} --out sheet.html`)
    const file = path.join(test.folder, 'sheet.html')
    expect(await fh('task', 'sheet', '--group', 'depot-9', '--out', file)).toMatchObject({ exit: 0 })
    expect(statSync(file).mode & 0o777).toBe(0o600)
    const page = await readFile(file, 'utf8')
    expect(page).toContain(`Sheet ${id}`)
    expect((await fh('task', 'sheet', id)).out).toContain('<!doctype html>')
    expect((await fh('task', 'sheet', id, '--json')).json()).toMatchObject({ tasks: [id] })
    const none = await fh('task', 'sheet', '--group', 'nowhere', '--json')
    expect([none.exit, none.json().error.code]).toEqual([1, 'nothing-printed'])
  })
})
