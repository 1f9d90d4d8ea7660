// Check-ins that travel together, through the true writer: each caller gets what it would have got alone.
import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import type { Actor } from '../../src/audit/actor.js'
import { checkinQueue } from '../../src/checkins/checkin-queue.driver.js'
import { AppError } from '../../src/errors.js'
import { openRecord, PERSON, type Record } from '../tasks/record.js'

let record: Record
let units: string[]
let calls: { actor: Actor; items: unknown[]; source: string }[] = []
type Input = { items: unknown[]; source: string }
/** The service itself in one transaction for each call, as another thread reaches it. */
const accept = (actor: Actor, input: Input) => {
  calls.push({ actor, ...input })
  return record.run((work) => record.services.checkins.accept(work, actor, input))
}
const KEY: Actor = { ...PERSON, id: 'k_1', role: 'check-in', via: 'public' }
const SOURCE = 'platform:k_1'

beforeAll(async () => {
  record = await openRecord()
  units = []
  for (let n = 0; n < 6; n += 1) units.push(await record.unit('sill-cam'))
})
afterAll(() => record.close())

describe('check-ins that come one by one', () => {
  it('travel together, and each gets the answer to its own', async () => {
    calls = []
    const queue = checkinQueue({ accept })
    const answers = await Promise.all(
      Array.from({ length: 100 }, (_, n) =>
        queue.accept(KEY, { source: SOURCE, items: [{ unit: units[n % 6], version: '1.0.0', id: `one-${n}` }] }),
      ),
    )
    expect(answers.map((results) => results.map(({ index, unit, accepted }) => [index, unit, accepted]))).toEqual(
      Array.from({ length: 100 }, (_, n) => [[0, units[n % 6], true]]),
    )
    expect(calls.length).toBeLessThan(10)
    expect(calls.flatMap(({ items }) => items).length).toBe(100)
  })

  it('are answered as if each had come alone: bad ones, doubles, several in one call', async () => {
    let round = 0
    const item = fc.oneof(
      fc.record({ unit: fc.nat(5), id: fc.nat(8), version: fc.constantFrom('1.0.0', '1.1.0') }),
      fc.constant('bad' as const),
    )
    await fc.assert(
      fc.asyncProperty(fc.array(fc.array(item, { maxLength: 4 }), { maxLength: 20 }), async (requests) => {
        round += 1
        const itemsFor = (way: string) =>
          requests.map((items) =>
            items.map((one) =>
              one === 'bad'
                ? { unit: 'nobody', version: '' }
                : { ...one, unit: units[one.unit], id: `${way}-${round}-${one.id}` },
            ),
          )
        const seen = (answers: Awaited<ReturnType<typeof accept>>[]) =>
          answers.map((results) =>
            results.map(({ index, unit, accepted, duplicate, code }) => [index, unit, accepted, duplicate, code]),
          )
        const queue = checkinQueue({ accept })
        const together = await Promise.all(itemsFor('a').map((items) => queue.accept(KEY, { items, source: SOURCE })))
        const alone = []
        for (const items of itemsFor('b')) alone.push(await accept(KEY, { items, source: SOURCE }))
        expect(seen(together)).toEqual(seen(alone))
      }),
      { numRuns: 25 },
    )
  })

  it('keep apart what different keys say, and what a request says that can be repeated', async () => {
    calls = []
    const queue = checkinQueue({ accept })
    const other: Actor = { ...KEY, id: 'k_2' }
    const again: Actor = { ...KEY, once: { name: 'n', requestHash: 'h' } }
    const send = (actor: Actor, n: number) =>
      queue.accept(actor, {
        source: `platform:${actor.id}`,
        items: [{ unit: units[0], version: '1.0.0', id: `k-${n}` }],
      })
    await Promise.all([KEY, other, again, KEY, other, again].map(send))
    for (const call of calls) expect(call.source).toBe(`platform:${call.actor.id}`)
    expect(calls.filter(({ actor }) => actor.once !== null).map(({ items }) => items.length)).toEqual([1, 1])
    expect(calls.filter(({ actor }) => actor.once === null).map(({ items }) => items.length)).toEqual([2, 2])
  })
})

describe('what goes wrong on the way', () => {
  const send = (queue: { accept: typeof accept }, version: string) =>
    queue.accept(KEY, { source: SOURCE, items: [{ unit: units[0], version }] })

  it('by a fault of ours that one request meets, is that one’s alone', async () => {
    const queue = checkinQueue({
      accept: (actor, input) =>
        (input.items as { version: string }[]).some(({ version }) => version === '6.6.6')
          ? Promise.reject(new Error('a bug'))
          : accept(actor, input),
    })
    const results = await Promise.allSettled(
      ['1.0.0', '1.0.1', '6.6.6', '1.0.2', '1.0.3'].map((version) => send(queue, version)),
    )
    expect(results.map(({ status }) => status)).toEqual([
      'fulfilled',
      'fulfilled',
      'rejected',
      'fulfilled',
      'fulfilled',
    ])
  })

  it('by what concerns all, such as a full disk, is told to all, and nobody is tried again', async () => {
    let tries = 0
    const queue = checkinQueue({
      accept: () => {
        tries += 1
        return Promise.reject(new AppError('storage-full', 'The disk is full.'))
      },
    })
    const results = await Promise.allSettled(Array.from({ length: 50 }, () => send(queue, '1.0.0')))
    expect(results.every((result) => result.status === 'rejected' && result.reason.code === 'storage-full')).toBe(true)
    expect(tries).toBeLessThan(5)
  })

  it('by too much that waits, is told at once, and those that waited are served', async () => {
    let open = () => {}
    const gate = new Promise<void>((resolve) => {
      open = resolve
    })
    const queue = checkinQueue({ accept: (_actor, { items }) => gate.then(() => items.map(() => ({}) as never)) })
    const waiting = Array.from({ length: 16_000 }, () => send(queue, '1.0.0'))
    await expect(send(queue, '1.0.0')).rejects.toMatchObject({ code: 'not-ready' })
    open()
    expect((await Promise.all(waiting)).length).toBe(16_000)
  })
})
