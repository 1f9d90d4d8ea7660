// What people and the clock do to a task by the API: attest, cancel, deadline, withdraw, and what comes too late.
import net from 'node:net'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei, until } from '../support/app.js'

const MINUTE_MS = 60_000
const HOUR_MS = 60 * MINUTE_MS
let test: TestApp
let packageId: string
let count = 0
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId } = await prepare(test, { bytes: Buffer.alloc(8_000_000, 1), units: 0 }))
})
afterAll(() => test.stop())

async function task(body: object = {}, pack = packageId) {
  count += 1
  const { body: unit } = await test.call('POST', '/units', { imei: testImei(count), model: 'sill-cam' })
  const issued = await test.call('POST', '/tasks', { unit: unit.id, package: pack, ...body })
  expect(issued.status, JSON.stringify(issued.body)).toBe(201)
  return issued.body.tasks[0]
}
async function release(version: string, bytes: Uint8Array): Promise<string> {
  const { body } = await test.call('POST', `/packages?model=sill-cam&version=${version}&fileName=a.bin`, bytes)
  await test.call('POST', `/packages/${body.id}/release`, {})
  return body.id
}
const show = async (id: string) => (await test.call('GET', `/tasks/${id}`)).body
const attest = (id: string, body: object) =>
  test.call('POST', `/tasks/${id}/attest`, { note: 'seen at the bench', ...body })
const report = (unit: string, version: string, atMs = test.nowMs()) =>
  test.call('POST', '/check-ins', { unit, version, observedAt: new Date(atMs).toISOString() })
const entries = async (unit: string, action: string) =>
  (await test.call('GET', `/audit?unit=${unit}&action=${action}`)).body.items

describe('a person', () => {
  it('attests fetched and verified, by name and with a note that can be erased', async () => {
    const { id, unit } = await task({ method: 'card' })
    const fetched = await attest(id, { state: 'fetched' })
    expect(fetched.body).toMatchObject({ state: 'fetched', reason: null })
    expect(fetched.body.moves.at(-1)).toMatchObject({
      grade: 'person',
      implied: false,
      by: expect.stringMatching(/^k_/),
    })
    expect((await attest(id, { state: 'fetched' })).body.code).toBe('state-refused')
    expect((await attest(id, { state: 'verified' })).body.state).toBe('verified')
    const [first] = await entries(unit, 'task.attested')
    expect(first).toMatchObject({ detail: { state: 'fetched', reason: null }, labels: { note: 'seen at the bench' } })
    expect(JSON.stringify(first.detail)).not.toContain('bench')
  })

  it('never attests applied, confirms only from applied, and says why something failed', async () => {
    const { id, unit } = await task()
    expect((await attest(id, { state: 'applied' })).status).toBe(400)
    expect((await attest(id, { state: 'fetched', note: '' })).status).toBe(400)
    expect((await attest(id, { state: 'confirmed' })).body.code).toBe('state-refused')
    expect((await attest(id, { state: 'failed' })).body.code).toBe('request-invalid')
    expect((await attest(id, { state: 'verified', reason: 'other' })).body.code).toBe('request-invalid')
    expect((await attest(id, { state: 'failed', reason: 'not-applied' })).status).toBe(400) // Only derived, never said.
    expect((await show(id)).state).toBe('queued')
    await report(unit, '2.0.0')
    const confirmed = await attest(id, { state: 'confirmed' })
    expect(confirmed.body).toMatchObject({ state: 'confirmed', standing: { grade: 'closed' } })
    expect(confirmed.body.moves.at(-1)).toMatchObject({ state: 'confirmed', grade: 'person' })
    const other = await task()
    expect((await attest(other.id, { state: 'failed', reason: 'no-life' })).body).toMatchObject({
      state: 'failed',
      reason: 'no-life',
    })
    expect((await attest(other.id, { state: 'failed', reason: 'other' })).body.code).toBe('state-refused')
  })

  it('cancels at once while queued; from fetched on with the word that it may be installing', async () => {
    const early = await task()
    const cancelled = await test.call('POST', `/tasks/${early.id}/cancel`, { reason: 'vehicle sold' })
    expect(cancelled.body).toMatchObject({ state: 'cancelled', reason: 'vehicle sold', link: { state: 'revoked' } })
    expect((await fetch(early.link.url)).status).toBe(410)
    expect((await test.call('POST', `/tasks/${early.id}/cancel`, { reason: 'again' })).body.code).toBe('state-refused')
    const late = await task({ method: 'card' })
    await attest(late.id, { state: 'verified' })
    const cancel = (body: object) => test.call('POST', `/tasks/${late.id}/cancel`, { reason: 'x', ...body })
    expect([(await cancel({})).status, (await cancel({})).body.code]).toEqual([409, 'acknowledgement-needed'])
    expect((await cancel({ acknowledge: 'sure' })).status).toBe(400)
    expect((await cancel({ acknowledge: 'may-be-installing' })).body.state).toBe('cancelled')
    expect((await test.call('POST', '/tasks/t_none/cancel', { reason: 'x' })).body.code).toBe('task-not-found')
  })
})

describe('the clock', () => {
  it('lets a task lapse at its deadline where nothing is known to have been sent, and not before', async () => {
    const { id, unit } = await task({ deadline: new Date(test.nowMs() + HOUR_MS).toISOString() })
    const sent = await task({ deadline: new Date(test.nowMs() + HOUR_MS).toISOString() })
    await test.call('POST', `/tasks/${sent.id}/dispatch`, { channel: 'hand' })
    test.advance(HOUR_MS - MINUTE_MS)
    await new Promise((resolve) => setTimeout(resolve, 1500)) // One turn of the clock's own work.
    expect((await show(id)).state).toBe('queued')
    test.advance(MINUTE_MS)
    expect(
      await until(
        () => show(id),
        (found) => found.standing.grade === 'closed',
      ),
    ).toMatchObject({ state: 'lapsed', link: { state: 'revoked' } })
    expect(
      await until(
        () => show(sent.id),
        (found) => found.standing.grade === 'closed',
      ),
    ).toMatchObject({ state: 'failed', reason: 'no-answer' })
    const [closed] = await entries(unit, 'task.closed')
    expect(closed).toMatchObject({
      actor: { id: 'system', role: 'system', via: 'system' },
      detail: { state: 'lapsed' },
      labels: null,
    })
  })

  it('makes a quiet task late and silent to whoever looks, and never closes it for that', async () => {
    const { id } = await task()
    await test.call('POST', `/tasks/${id}/dispatch`, { channel: 'hand' })
    const grades: string[] = []
    for (const hours of [0, 2, 30]) {
      test.advance(hours * HOUR_MS)
      const { standing, state } = await show(id)
      grades.push(standing.grade)
      expect(state).toBe('queued')
      if (standing.grade !== 'on-course')
        expect([standing.cause, standing.next].every((text) => text.length > 10)).toBe(true)
    }
    expect(grades).toEqual(['on-course', 'late', 'silent'])
  })
})

describe('withdrawing a package', () => {
  it('cancels what is queued, flags what may be installing, ends all links, and resets a running download', async () => {
    const pack = await release('3.0.0', Buffer.alloc(8_000_000, 2))
    const queued = await task({}, pack)
    const fetched = await task({ method: 'card' }, pack)
    const applied = await task({}, pack)
    const copy = (await test.call('POST', '/links', { package: pack, kind: 'copy' })).body
    await attest(fetched.id, { state: 'fetched' })
    await report(applied.unit, '3.0.0')
    const other = await task()

    // A client that reads a little and then waits: 8 MB do not fit into the buffers between.
    const { port, pathname } = new URL(queued.link.url)
    const socket = net.connect({ port: Number(port), host: '127.0.0.1', allowHalfOpen: true })
    // Node may show a client that paused an end in place of the reset. A write tells: after a reset it fails at once,
    // behind a tidy end it still goes out (RFC 9293 §3.6: the other direction stays open).
    const ended = new Promise<string>((resolve) => {
      socket
        .on('error', () => resolve('reset'))
        .on('end', () => socket.write('x', (error) => resolve(error ? 'reset' : 'tidy end')))
    })
    await new Promise<void>((resolve) => {
      socket.once('data', () => {
        socket.pause()
        resolve()
      })
      socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\n\r\n`)
    })
    const withdrawn = await test.call('POST', `/packages/${pack}/withdraw`, { reason: 'reboots every hour' })
    expect(withdrawn.body.state).toBe('withdrawn')
    await new Promise((resolve) => setTimeout(resolve, 300))
    socket.resume()
    expect(await ended).toBe('reset') // RFC 9293 §3.5.2: not a tidy end, which could look like a whole file.
    socket.destroy()

    expect(await show(queued.id)).toMatchObject({
      state: 'cancelled',
      reason: 'package-withdrawn',
      link: { state: 'revoked' },
    })
    expect(await show(fetched.id)).toMatchObject({
      state: 'fetched',
      flags: ['package-withdrawn'],
      link: { state: 'revoked' },
    })
    expect((await show(applied.id)).flags).toContain('package-withdrawn')
    for (const url of [queued.link.url, fetched.link.url, copy.url]) {
      const answer = await fetch(url)
      expect([answer.status, (await answer.arrayBuffer()).byteLength]).toEqual([410, 0])
    }
    expect(await show(other.id)).toMatchObject({ state: 'queued', flags: [], link: { state: 'live' } })
    // What is open goes on by reports alone.
    await report(fetched.unit, '3.0.0')
    expect((await show(fetched.id)).state).toBe('applied')
    // A second time changes nothing and is logged once.
    await test.call('POST', `/packages/${pack}/withdraw`, { reason: 'again' })
    const log = await test.call('GET', '/audit?action=package.withdrawn')
    expect(log.body.items.filter((entry: { package: string }) => entry.package === pack)).toHaveLength(1)
  })
})

describe('what comes after the close', () => {
  it('is kept beside the task with its meaning, and logged; the exit stays', async () => {
    const { id, unit } = await task()
    await report(unit, '1.0.0', test.nowMs() - HOUR_MS)
    await test.call('POST', `/tasks/${id}/cancel`, { reason: 'gave up' })
    expect((await show(id)).afterwards).toEqual([])
    test.advance(HOUR_MS)
    const answer = await report(unit, '2.0.0')
    expect(answer.body.results[0]).toMatchObject({ accepted: true, task: id, state: 'cancelled' })
    test.advance(HOUR_MS)
    await report(unit, '9.9.9')
    const { state, reason, afterwards } = await show(id)
    expect([state, reason]).toEqual(['cancelled', 'gave up'])
    expect(afterwards.map(({ version, meaning }: { version: string; meaning: string }) => [version, meaning])).toEqual([
      ['2.0.0', 'target-seen-later'],
      ['9.9.9', 'other-version'],
    ])
    expect(await entries(unit, 'task.afterwards')).toHaveLength(2)
    const late = await test.call('POST', '/check-ins', { unit, version: '2.0.0', observedAt: afterwards[0].observedAt })
    expect(late.body.results[0].duplicate).toBe(true)
    expect(
      (await show(id)).afterwards.filter((one: { meaning: string }) => one.meaning === 'target-seen-later'),
    ).toHaveLength(1)
  })
})
