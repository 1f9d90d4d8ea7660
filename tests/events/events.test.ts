// The stream of events (WHATWG HTML, "Server-sent events"): what arrives, resuming, and clients that do not read.
import net from 'node:net'
import path from 'node:path'
import Database from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'

let test: TestApp
let packageId: string
let unitIds: string[]
const readers: { stop: () => void }[] = []
beforeAll(async () => {
  test = await startTestApp()
  ;({ packageId, unitIds } = await prepare(test, { bytes: Buffer.alloc(300_000, 5), units: 8 }))
})
afterAll(async () => {
  for (const reader of readers) reader.stop()
  await test.stop()
})

interface Event {
  event: string
  id: string | null
  // biome-ignore lint/suspicious/noExplicitAny: data of any shape
  data: any
}

/** A reader by the rules of the standard: blocks end with an empty line, lines that begin with a colon are comments. */
async function listen(lastId?: string, query = '') {
  const stop = new AbortController()
  const response = await fetch(`${test.officeUrl}/api/v1/events${query}`, {
    headers: { authorization: `Bearer ${test.keys.auditor}`, ...(lastId !== undefined && { 'last-event-id': lastId }) },
    signal: stop.signal,
  })
  expect(response.headers.get('content-type')).toBe('text/event-stream')
  const events: Event[] = []
  const reading = (async () => {
    let rest = ''
    for await (const chunk of response.body!.pipeThrough(
      new TextDecoderStream() as never,
    ) as unknown as AsyncIterable<string>) {
      const blocks = (rest + chunk).split('\n\n')
      rest = blocks.pop()!
      for (const block of blocks) {
        const field = (name: string) => new RegExp(`^${name}: (.*)$`, 'm').exec(block)?.[1] ?? null
        if (field('event')) events.push({ event: field('event')!, id: field('id'), data: JSON.parse(field('data')!) })
      }
    }
  })().catch(() => undefined)
  const reader = { events, stop: () => stop.abort(), reading }
  readers.push(reader)
  return reader
}
const issue = async (unit: string) => (await test.call('POST', '/tasks', { unit, package: packageId })).body.tasks[0]
const cancel = (id: string) => test.call('POST', `/tasks/${id}/cancel`, { reason: 'r' })

describe('the stream', () => {
  it('tells of tasks as they are committed, with their place in the log as id, and of ledgers', async () => {
    const { events } = await listen()
    const task = await issue(unitIds[0]!)
    await (await fetch(task.link.url)).arrayBuffer()
    await until(
      async () => events,
      (seen) => seen.some(({ data }) => data.detail?.state === 'fetched'),
    )
    const issued = events.find(({ data }) => data.action === 'task.issued')!
    expect(issued).toMatchObject({ event: 'task', data: { task: task.id, unit: unitIds[0], toVersion: '2.0.0' } })
    const { body } = await test.call('GET', `/audit?after=${Number(issued.id) - 1}&limit=1`)
    expect(body.items[0]).toMatchObject({ seq: Number(issued.id), action: 'task.issued', task: task.id })
    await until(
      async () => events,
      (seen) => seen.some(({ event, data }) => event === 'ledger' && data.acknowledgedBytes === 300_000),
    )
    const ledger = events.findLast(({ event }) => event === 'ledger')!
    expect(ledger).toMatchObject({ id: null, data: { task: task.id, link: task.link.id, acknowledgedBytes: 300_000 } })
    expect(JSON.stringify(events)).not.toContain(new URL(task.link.url).pathname.split('/')[2]) // No token.
  })

  it('resumed by the last id misses nothing and repeats nothing, whatever was cut', async () => {
    const first = await listen('0')
    const tasks = [await issue(unitIds[1]!), await issue(unitIds[2]!)]
    await until(
      async () => first.events,
      (seen) => seen.some(({ data }) => data.task === tasks[1].id),
    )
    first.stop()
    const lastId = first.events.findLast(({ id }) => id !== null)!.id!
    for (const task of tasks) await cancel(task.id)
    const later = await issue(unitIds[3]!)
    for (const [header, query] of [
      [lastId, ''],
      [undefined, `?after=${lastId}`],
    ] as const) {
      const second = await listen(header, query)
      await until(
        async () => second.events,
        (seen) => seen.some(({ data }) => data.task === later.id),
      )
      const all = [...first.events, ...second.events]
        .filter(({ event }) => event === 'task')
        .map(({ id }) => Number(id))
      const log = (await test.call('GET', `/audit?action=task.&limit=1000`)).body.items.map(
        (entry: { seq: number }) => entry.seq,
      )
      expect(all).toEqual(log)
    }
  })

  it('begins with what comes next where no id is given', async () => {
    const { events } = await listen()
    const task = await issue(unitIds[4]!)
    await until(
      async () => events,
      (seen) => seen.length > 0,
    )
    expect(events.every(({ data }) => data.task === task.id)).toBe(true)
  })

  it('cuts a reader that does not read; the server goes on, and so do the others', async () => {
    // A long past to send: entries of 20 kB that the buffers between cannot hold.
    const database = new Database(path.join(test.dataFolder, 'firmhand.db'))
    const { seq } = (await test.call('GET', '/audit/head')).body
    const body = JSON.stringify({
      at: 'x',
      action: 'task.moved',
      unit: 'u',
      task: 't',
      detail: { text: 'x'.repeat(20_000) },
    })
    const insert = database.prepare(
      'insert into audit (seq, at_ms, action, actor_id, body, hash) values (?, 0, ?, ?, ?, ?)',
    )
    database.transaction(() => {
      for (let i = 1; i <= 2000; i += 1) insert.run(seq + i, 'task.moved', 'test', body, 'h')
    })()
    database.close()
    const { port } = new URL(test.officeUrl)
    const socket = net.connect(Number(port), '127.0.0.1')
    let got = 0
    socket.on('error', () => undefined)
    socket.write(
      `GET /api/v1/events HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys.auditor}\r\nLast-Event-ID: ${seq}\r\n\r\n`,
    )
    socket.pause()
    await new Promise((resolve) => setTimeout(resolve, 6500)) // A reader may pause, for 5 s.
    const closed = new Promise<void>((resolve) => socket.on('close', () => resolve()))
    socket.on('data', (data) => {
      got += data.length
    })
    socket.resume()
    await closed
    expect(got).toBeLessThan(2000 * 20_000)
    const { events } = await listen()
    const task = await issue(unitIds[5]!)
    await until(
      async () => events,
      (seen) => seen.some(({ data }) => data.task === task.id),
    )
  })

  it('takes no nonsense for a place in the log', async () => {
    expect((await test.call('GET', '/events?after=-1')).status).toBe(400)
    expect((await test.call('GET', '/events?after=x')).status).toBe(400)
  })
})
