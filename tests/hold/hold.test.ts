// A server on hold: nothing goes out, everything is taken in, and it goes on where it stood once somebody has looked.
import { randomBytes } from 'node:crypto'
import { once } from 'node:events'
import net from 'node:net'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { cli, shellOf } from '../cli/run.js'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'

const DAY_MS = 24 * 60 * 60 * 1000
const bytes = randomBytes(6_000_000)
let test: TestApp
let packageId: string
let units: string[]

beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId, unitIds: units } = await prepare(test, { bytes, units: 5 }))
})
afterAll(() => test.stop())

const task = async (id: string) => (await test.call('GET', `/tasks/${id}`)).body
const issue = (unit: string) => test.call('POST', '/tasks', { unit, package: packageId })
const issued = async (unit: string) => (await issue(unit)).body.tasks[0]
const set = (reason = 'a look around') => test.call('POST', '/hold', { reason })
const show = async () => (await test.call('GET', '/hold')).body
const release = async () =>
  test.call('POST', '/hold/release', { note: 'all looked at', acknowledge: (await show()).held })
const log = async (action: string) => (await test.call('GET', `/audit?action=${action}`)).body.items

/** A client that takes the head and then reads nothing more until it is told. */
async function stalledDownload(url: string) {
  const { port, pathname } = new URL(url)
  const socket = net.connect({ port: Number(port), host: '127.0.0.1' })
  const closed = new Promise<void>((resolve) => socket.once('close', () => resolve()))
  socket.on('error', () => undefined)
  socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\n\r\n`)
  await once(socket, 'readable')
  return {
    /** Reads to the end and gives how many bytes there were. */
    drain: async () => {
      let count = 0
      socket.on('data', (piece) => {
        count += piece.length
      })
      await closed
      return count
    },
  }
}

describe('a server on hold', () => {
  it('lets nothing out: no issue, no text, no link, no mark of sending, no byte', async () => {
    const before = await issued(units[0]!)
    expect(before.command).toMatchObject({ onHold: false, text: expect.stringContaining(before.link.url) })
    const running = await stalledDownload(before.link.url)
    const token = before.link.url.split('/').at(-2)!

    expect(await set('the backup was old')).toMatchObject({
      status: 200,
      body: {
        onHold: true,
        cause: 'person',
        reason: 'the backup was old',
        backup: null,
        held: { openTasks: 1, liveLinks: 1, unsentCommands: 1 },
      },
    })
    // What ran is reset, not merely left alone: the client got less than the file.
    expect(await running.drain()).toBeLessThan(bytes.length)

    const operator = { key: test.keys.operator }
    for (const [path, body] of [
      ['/tasks', { unit: units[1], package: packageId }],
      [`/tasks/${before.id}/dispatch`, { channel: 'hand' }],
      ['/links', { package: packageId, kind: 'copy' }],
    ] as const) {
      const refused = await test.call('POST', path, body, operator)
      expect(refused, path).toMatchObject({ status: 409, body: { code: 'on-hold' } })
      expect(refused.body.detail).toContain('the backup was old')
      expect(refused.body.detail).toContain('hold show')
    }
    const view = await task(before.id)
    expect(JSON.stringify(view)).not.toContain(token)
    expect(view.command.onHold).toBe(true)
    expect(view.standing).toMatchObject({ grade: 'late', next: expect.stringContaining('hold') })

    for (const method of ['GET', 'HEAD']) {
      const answer = await fetch(before.link.url, { method })
      expect(answer.status).toBe(503)
      expect(Number(answer.headers.get('retry-after'))).toBeGreaterThan(0)
      expect(answer.headers.get('content-length')).toBe('0')
      expect((await answer.arrayBuffer()).byteLength).toBe(0)
    }
    // An address that is no link's is no more than that, and tells nobody of the hold.
    expect((await fetch(before.link.url.replace(token, '2'.repeat(16)))).status).toBe(404)
    const events = await until(
      async () => (await test.call('GET', `/units/${units[0]}/timeline`)).body.items,
      (items) => items.some((item: { what: string }) => item.what.includes('held back')),
    )
    const tries = events.filter((item: { kind: string }) => item.kind === 'download')
    expect(tries.some((item: { detail: { end: string } }) => item.detail.end === 'held')).toBe(true)
    expect((await task(before.id)).state).toBe('queued')
  })

  it('is no failure of the server, and is set once', async () => {
    const ready = await fetch(`${test.officeUrl}/readyz`)
    expect(ready.status).toBe(200)
    expect(await ready.json()).toEqual({ ok: true, onHold: true })
    expect(await set()).toMatchObject({ status: 409, body: { code: 'state-refused' } })
    expect(await log('hold.set')).toHaveLength(1)
    await test.restart()
    expect(await show()).toMatchObject({ onHold: true, reason: 'the backup was old' })
  })

  it('says so on the command line', async () => {
    const env = shellOf(test)
    const refused = await cli(['task', 'issue', '--unit', units[1]!, '--package', packageId], env)
    expect(refused).toMatchObject({ exit: 1, out: '' })
    expect(refused.err).toMatch(/on hold since .*firmhand hold show/)
    const [open] = (await test.call('GET', '/tasks?state=queued')).body.items
    expect((await cli(['command', 'show', open.id, '--json'], env)).json().error.code).toBe('on-hold')
    const shown = await cli(['hold', 'show'], env)
    expect(shown.out).toMatch(/ON HOLD.*\n/)
    expect(shown.out).toContain('--acknowledge 1,1,1')
    expect((await cli(['hold', 'release', '--acknowledge', '1,1', '--note', 'x'], env)).exit).toBe(2)
  })

  it('takes reports in, and keys, cancels, withdrawals and exports go on', async () => {
    const said = await test.call('POST', '/check-ins', {
      unit: units[0],
      version: '2.0.0',
      observedAt: new Date(test.nowMs()).toISOString(),
    })
    expect(said.body.results[0]).toMatchObject({ accepted: true, state: 'applied' })
    expect((await test.call('POST', '/keys', { name: 'k', role: 'auditor' })).status).toBe(201)
    expect((await test.call('GET', '/audit?format=jsonl')).status).toBe(200)
    const [open] = (await test.call('GET', '/tasks?state=applied')).body.items
    const cancelled = await test.call('POST', `/tasks/${open.id}/cancel`, {
      reason: 'x',
      acknowledge: 'may-be-installing',
    })
    expect(cancelled).toMatchObject({ status: 200, body: { state: 'cancelled' } })
  })

  it('is released by an integrator who names what is held, and by nobody else', async () => {
    const { held } = await show()
    const ask = (acknowledge: object, key = test.keys.integrator) =>
      test.call('POST', '/hold/release', { note: 'looked at', acknowledge }, { key })
    expect((await ask(held, test.keys.operator)).status).toBe(403)
    expect((await ask({})).status).toBe(400)
    const wrong = await ask({ ...held, openTasks: held.openTasks + 1000 })
    expect(wrong).toMatchObject({ status: 409, body: { code: 'hold-not-reviewed', held } })
    expect((await show()).onHold).toBe(true)
    expect(await log('hold.released')).toHaveLength(0)

    expect(await ask(held)).toMatchObject({ status: 200, body: { onHold: false, since: null } })
    expect(await ask(held)).toMatchObject({ status: 409, body: { code: 'state-refused' } })
    const [entry] = await log('hold.released')
    expect(entry).toMatchObject({ actor: { role: 'integrator' }, labels: { note: 'looked at' }, detail: { held } })
    const task = await issued(units[1]!)
    const answer = await fetch(task.link.url)
    expect(Buffer.from(await answer.arrayBuffer()).equals(bytes)).toBe(true)
  })
})

describe('deadlines', () => {
  it('stand still on hold, and are later by its length afterwards: nothing ends in the second of the release', async () => {
    const due = await issued(units[2]!)
    test.advance(6 * DAY_MS)
    await set()
    test.advance(30 * DAY_MS)
    await new Promise((resolve) => setTimeout(resolve, 1500)) // Ticks of the clock's own work.
    // A report during the hold has the task computed anew, long after the deadline of its issue.
    await test.call('POST', '/check-ins', { unit: units[2], version: '1.0.0' })
    expect(await task(due.id)).toMatchObject({ state: 'queued', standing: { grade: 'late' } })

    expect((await release()).status).toBe(200)
    await new Promise((resolve) => setTimeout(resolve, 1500))
    const after = await task(due.id)
    expect(after.state).toBe('queued')
    const laterMs = Date.parse(after.deadline) - Date.parse(due.deadline)
    expect(laterMs).toBeGreaterThanOrEqual(30 * DAY_MS)
    expect(laterMs).toBeLessThan(30 * DAY_MS + 60_000)
    expect((await log('hold.released')).at(-1).detail.deadlinesMovedMs).toBe(laterMs)
    // The text is given out again, the same one.
    expect(after.command.text).toBe(due.command.text)

    // And the deadline is there, later: without it a task would stay open for ever.
    test.advance(2 * DAY_MS)
    const ended = await until(
      () => task(due.id),
      (one) => one.state !== 'queued',
    )
    expect(ended).toMatchObject({ state: 'lapsed', reason: 'deadline', deadline: after.deadline })
  })

  it('of hand tasks take their copy link with them, and that of a link with an end of its own stands', async () => {
    const body = { unit: units[1], package: packageId, method: 'card', supersede: true }
    const hand = (await test.call('POST', '/tasks', { ...body, acknowledge: 'may-be-installing' })).body.tasks[0]
    const expiresAt = new Date(test.nowMs() + DAY_MS).toISOString()
    const own = (await test.call('POST', '/links', { package: packageId, kind: 'copy', expiresAt })).body
    expect(hand.link.expiresAt).toBe(hand.deadline)
    await set()
    const before = (await show()).held.liveLinks
    test.advance(20 * DAY_MS)
    expect((await show()).held.liveLinks).toBe(before - 1) // The one with an end of its own.
    await release()
    const after = await task(hand.id)
    expect(Date.parse(after.link.expiresAt) - Date.parse(hand.link.expiresAt)).toBe(
      Date.parse(after.deadline) - Date.parse(hand.deadline),
    )
    expect((await fetch(hand.link.url)).status).toBe(200)
    expect((await fetch(own.url)).status).toBe(410)
  })

  it('of tasks issued after a hold are not touched by it', async () => {
    const fresh = await issued(units[3]!)
    expect(Date.parse(fresh.deadline) - Date.parse(fresh.issuedAt)).toBe(168 * 3_600_000)
    expect((await task(fresh.id)).deadline).toBe(fresh.deadline)
  })
})

describe('on the command line', () => {
  it('a hold is set, and released by the very line that is printed', async () => {
    const env = shellOf(test)
    expect((await cli(['hold', 'set'], env)).exit).toBe(2) // A reason is owed.
    const held = await cli(['hold', 'set', '--reason', 'to be sure'], env)
    expect(held).toMatchObject({ exit: 0, out: expect.stringContaining('to be sure') })
    const line = /firmhand (hold release --acknowledge \S+ --note) "/.exec(held.out)![1]!
    const released = await cli([...line.split(' '), 'looked at everything', '--json'], env)
    expect(released).toMatchObject({ exit: 0 })
    expect(released.json()).toMatchObject({ onHold: false })
    expect((await cli(['hold', 'show'], env)).out).toMatch(/^not on hold/)
  })
})

describe('what a hold does not give back', () => {
  it('a link that was revoked meanwhile is gone, on hold and after it', async () => {
    const one = await issued(units[4]!)
    await set()
    expect((await test.call('DELETE', `/links/${one.link.id}`)).status).toBe(204)
    expect((await fetch(one.link.url)).status).toBe(410)
    await release()
    expect((await fetch(one.link.url)).status).toBe(410)
  })
})
