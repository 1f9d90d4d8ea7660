// Histories through the real services, in any order of arrival, and what an operator is shown of them.
import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { at } from './histories.js'
import { openRecord, type Record, whole } from './record.js'

let record: Record
beforeAll(async () => {
  record = await openRecord()
})
afterAll(() => record.close())

describe('standings, as they are shown', () => {
  it('say of a closed task what is likely and what to do, and nothing where a person has said why', async () => {
    const { task } = await record.issued({ from: '1.0.0' })
    record.clock(1)
    await record.cancel(task.id, 'refused')
    expect((await record.view(task.id)).standing).toMatchObject({ grade: 'closed', cause: null, next: null })

    const other = await record.issued({ from: '1.0.0' })
    await record.bytes(whole(other.task.linkId!, 5))
    record.clock(90)
    await record.report(other.unit, { version: '1.0.0', observed: 60 }, { version: '1.0.0', observed: 75 })
    const view = await record.view(other.task.id)
    expect(view).toMatchObject({ state: 'failed', reason: 'not-applied' })
    expect(view.standing).toMatchObject({ grade: 'closed', cause: expect.any(String), next: expect.any(String) })
  })

  it('go on with the clock for an applied task past its deadline', async () => {
    const { unit, task, target } = await record.issued({ order: { deadlineMs: at(60) } })
    record.clock(50)
    await record.report(unit, { version: target, observed: 50 })
    expect((await record.view(task.id)).standing.grade).toBe('on-course')
    record.clock(70)
    expect((await record.view(task.id)).standing.grade).toBe('late')
    record.clock(3 * 24 * 60)
    expect((await record.view(task.id)).standing.grade).toBe('silent')
  })
})

describe('any reports, one by one or together, in any order', () => {
  // A coarse grid of times and few versions make doubles, conflicts and edges of the soak frequent.
  const report = fc.record({
    version: fc.constantFrom('1.0.0', '1.5.0', 'target', 'target'),
    observed: fc.integer({ min: -2, max: 8 }).map((step) => step * 5),
    source: fc.constantFrom('platform:k_1', 'bench'),
  })

  it('give the same task while it is open', async () => {
    let compared = 0
    await fc.assert(
      fc.asyncProperty(
        fc.uniqueArray(report, { minLength: 2, maxLength: 5, selector: (one) => JSON.stringify(one) }),
        fc.boolean(),
        async (reports, fetched) => {
          const lived = async (batches: (typeof reports)[]) => {
            const { unit, task, target } = await record.issued({ from: '1.0.0' })
            if (fetched) await record.bytes(whole(task.linkId!, 10))
            record.clock(40)
            let closedEarly = false
            for (const batch of batches) {
              closedEarly ||= (await record.task(task.id)).closedAtMs !== null
              for (const source of new Set(batch.map((one) => one.source)))
                await record.report(
                  unit,
                  ...batch
                    .filter((one) => one.source === source)
                    .map((one) => ({ ...one, version: one.version.replace('target', target) })),
                )
            }
            const { state, reason, moves, flags, fromVersion } = await record.task(task.id)
            const shown = { state, reason, flags, moves: moves.map(({ state, atMs }) => [state, atMs]) }
            return { closedEarly, shown, from: fromVersion === target ? 'target' : fromVersion }
          }
          const forward = await lived(reports.map((one) => [one]))
          const backward = await lived([...reports].reverse().map((one) => [one]))
          const isOpen = [forward, backward].every(({ closedEarly }) => !closedEarly)
          if (!isOpen) return // A final that was right for what was known then; see derive-arrival.
          compared += 1
          expect(backward).toEqual(forward)
        },
      ),
      { numRuns: 40 },
    )
    expect(compared).toBeGreaterThan(10)
  })
})
