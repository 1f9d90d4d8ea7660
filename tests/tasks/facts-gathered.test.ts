// The reports that count for a task, gathered for many tasks by one query, against the rule said plainly: of those from the
// issue on the first and the last 500, of those before it the last 100, and those that a state rests on.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { insertCheckins, type StoredCheckin } from '../../src/checkins/checkin.store.js'
import type { Move } from '../../src/tasks/facts.js'
import { gatherFacts } from '../../src/tasks/facts.store.js'
import type { Task } from '../../src/tasks/task.store.js'
import { ISSUED_MS } from './histories.js'
import { openRecord, type Record } from './record.js'

/** Reports before the issue and from it on: none, few, and just below, at and beyond each limit. */
const HISTORIES: [before: number, since: number][] = [
  [0, 0],
  [0, 1],
  [3, 7],
  [99, 499],
  [100, 500],
  [101, 501],
  [150, 1000],
  [0, 1001],
  [250, 1400],
]

let record: Record
const cases: { task: Task; checkins: StoredCheckin[] }[] = []

beforeAll(async () => {
  record = await openRecord()
  for (const [index, [before, since]] of HISTORIES.entries()) {
    const { task, unit } = await record.issued()
    const checkins = Array.from({ length: before + since }, (_, n): StoredCheckin => {
      // The last one before the issue is a millisecond earlier, the first one from it on is of that very millisecond.
      const observedAtMs = ISSUED_MS + (n < before ? n - before : (n - before) * 7)
      return {
        id: `c_${index}_${String((n * 7919) % 10_007).padStart(5, '0')}`,
        ...{ unitId: unit, source: 'platform:k', externalId: null, version: '1.0.0', rawVersion: '1.0.0' },
        ...{ statedAtMs: observedAtMs, observedAtMs, receivedAtMs: observedAtMs, timing: 'stated' as const },
        ...{ digest: null, note: null, keyId: null },
      }
    })
    // In no order of time.
    await record.run((work) =>
      insertCheckins(
        work.db,
        [...checkins].sort((a, b) => (a.id < b.id ? -1 : 1)),
      ),
    )
    cases.push({ task, checkins })
  }
})
afterAll(() => record.close())

function wanted(task: Task, checkins: StoredCheckin[]): string[] {
  const before = checkins.filter(({ observedAtMs }) => observedAtMs < task.issuedAtMs)
  const since = checkins.filter(({ observedAtMs }) => observedAtMs >= task.issuedAtMs)
  const evidence = since.filter(({ id }) => task.moves.some((move) => move.evidence.id === id))
  const all = [...before.slice(-100), ...since.slice(0, 500), ...evidence, ...since.slice(-500)]
  return [...new Set(all.map(({ id }) => id))].sort()
}

const gathered = async (tasks: Task[]) => {
  const facts = await record.run((work) => gatherFacts(work.db, tasks))
  return tasks.map((task) => facts.get(task.id)!.facts.map(({ id }) => id))
}

describe('the reports of many tasks at once', () => {
  it('are those that the rule names, each once', async () => {
    const found = await gathered(cases.map(({ task }) => task))
    for (const [index, { task, checkins }] of cases.entries()) {
      expect([...found[index]!].sort(), HISTORIES[index]!.join(' before, ')).toEqual(wanted(task, checkins))
    }
  })

  it('are the same for each task alone, and none for none', async () => {
    for (const { task, checkins } of cases) {
      expect((await gathered([task]))[0]!.sort()).toEqual(wanted(task, checkins))
    }
    expect(await gathered([])).toEqual([])
  })

  it('hold what a state rests on, wherever it lies', async () => {
    const { task, checkins } = cases.at(-1)!
    const middle = checkins[900]!
    const move = { evidence: { kind: 'checkin', id: middle.id } } as Move
    const resting: Task = { ...task, moves: [...task.moves, move] }
    expect(wanted(task, checkins)).not.toContain(middle.id)
    expect((await gathered([resting]))[0]!.sort()).toEqual(wanted(resting, checkins))
  })
})
