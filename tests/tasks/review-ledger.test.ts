// Histories through the real services, each made to break one sentence of the domain about what may be claimed of bytes, about copy links and about the log.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { at } from './histories.js'
import { news, openRecord, PERSON, type Record, SIZE_BYTES, tryOf, whole } from './record.js'

let record: Record
beforeAll(async () => {
  record = await openRecord()
})
afterAll(() => record.close())

const half = SIZE_BYTES / 2

describe('the ledger', () => {
  it('counts both where one batch names a link twice', async () => {
    const { task } = await record.issued()
    await record.bytes(
      news(task.linkId!, 5, { acknowledged: [[0, half - 1]] }),
      news(task.linkId!, 6, { acknowledged: [[half, SIZE_BYTES - 1]] }),
    )
    expect((await record.ledger(task.linkId!)).acknowledged).toEqual([[0, SIZE_BYTES - 1]])
    expect((await record.task(task.id)).state).toBe('fetched')
  })

  it('dates a proof by when it was there, not by an earlier conclusion', async () => {
    await record.model('strict-cam', { inferredAllowed: false })
    const { task } = await record.issued({ model: 'strict-cam' })
    await record.bytes(
      news(task.linkId!, 10, {
        sent: [[0, SIZE_BYTES - 1]],
        acknowledged: [[half, SIZE_BYTES - 1]],
        inferred: [[0, half - 1]],
      }),
    )
    expect((await record.task(task.id)).state).toBe('queued') // The profile wants a proof.
    await record.bytes(whole(task.linkId!, 60))
    const { moves } = await record.task(task.id)
    expect(moves.at(-1)).toMatchObject({ state: 'fetched', grade: 'acknowledged', atMs: at(60) })
  })

  it('keeps the first completion where a conclusion was enough', async () => {
    const { task } = await record.issued()
    await record.bytes(
      news(task.linkId!, 10, {
        sent: [[0, SIZE_BYTES - 1]],
        acknowledged: [[half, SIZE_BYTES - 1]],
        inferred: [[0, half - 1]],
      }),
    )
    await record.bytes(whole(task.linkId!, 60))
    const { moves } = await record.task(task.id)
    expect(moves.at(-1)).toMatchObject({ state: 'fetched', grade: 'inferred', atMs: at(10) })
  })

  it('claims nothing more where a batch is taken in twice', async () => {
    const { task } = await record.issued()
    const report = news(task.linkId!, 10, { acknowledged: [[0, half - 1]], tries: [tryOf({ span: [0, half - 1] })] })
    await record.bytes(report)
    const { acknowledged, sent, firstAskedAtMs } = await record.ledger(task.linkId!)
    await record.bytes(report)
    expect(await record.ledger(task.linkId!)).toMatchObject({ acknowledged, sent, firstAskedAtMs, completeAtMs: null })
    expect((await record.task(task.id)).state).toBe('queued')
  })

  const reissued = async (resume: [number, number], acknowledged: [number, number][]) => {
    const { unit, pack, task } = await record.issued()
    await record.bytes(news(task.linkId!, 5, { acknowledged }))
    await record.cancel(task.id)
    record.clock(10)
    const again = await record.issue(unit, pack)
    await record.bytes(
      news(again.linkId!, 12, { sent: [resume], acknowledged: [resume], tries: [tryOf({ span: resume })] }),
    )
    return { ledger: await record.ledger(again.linkId!), task: await record.task(again.id) }
  }

  it('joins what the older link had proven where the unit goes on from there to the end', async () => {
    const joined = await reissued([half, SIZE_BYTES - 1], [[0, half - 1]])
    expect(joined.ledger).toMatchObject({ acknowledged: [[0, SIZE_BYTES - 1]], flags: ['carried-over'] })
    expect(joined.task.state).toBe('fetched')
  })

  it.each([
    ['a segment in the middle', [half, half + 99_999], [[0, half - 1]]],
    ['another place', [half + 1, SIZE_BYTES - 1], [[0, half - 1]]],
    [
      'a proof with a gap',
      [half, SIZE_BYTES - 1],
      [
        [0, 9],
        [100, half - 1],
      ],
    ],
  ] as [string, [number, number], [number, number][]][])(
    'joins nothing for %s',
    async (_name, resume, acknowledged) => {
      const { ledger } = await reissued(resume, acknowledged)
      expect(ledger).toMatchObject({ acknowledged: [resume], flags: [] })
    },
  )
})

describe('hand methods', () => {
  it('a copy link proves its tasks a copy, never a download by the unit, and once only', async () => {
    const { task } = await record.issued({ order: { method: 'cable' } })
    await record.bytes(whole(task.linkId!, 20))
    await record.bytes(whole(task.linkId!, 30))
    const { state, moves } = await record.task(task.id)
    expect(state).toBe('fetched')
    expect(moves.at(-1)).toMatchObject({ grade: 'copy', atMs: at(20), evidence: { kind: 'copied' } })
  })

  it('ends every link of a task with its last task, also one that was made for it later', async () => {
    const { pack, task } = await record.issued({ order: { method: 'card' } })
    const extra = await record.run((work) =>
      record.services.links.create(work, PERSON, {
        packageId: pack.id,
        kind: 'copy',
        unit: null,
        taskIds: [task.id],
        expiresAtMs: null,
        byteBudgetBytes: null,
      }),
    )
    await record.cancel(task.id)
    expect((await record.link(task.linkId!))!.endReason).toBe('ended')
    expect((await record.link(extra.id))!.endReason).toBe('ended')
    // Read to the end all the same, by whom it had been given to: nothing moves.
    await record.bytes(whole(extra.id, 50))
    expect((await record.task(task.id)).moves.map(({ state }) => state)).toEqual(['queued', 'cancelled'])
  })
})

describe('the log', () => {
  it('keeps a person’s own words out of the hashed bytes', async () => {
    const { task } = await record.issued()
    await record.cancel(task.id, 'Ada Example is on leave')
    expect(JSON.stringify(await record.log(task.id))).not.toContain('Ada Example')
    expect((await record.task(task.id)).reason).toBe('Ada Example is on leave')
    const closed = (await record.log(task.id)).find(({ action }) => action === 'task.closed')
    expect(closed!.detail).toEqual({ state: 'cancelled', reason: 'person' })
  })
})
