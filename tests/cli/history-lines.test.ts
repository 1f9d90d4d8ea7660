// What a person reads of a unit's history: who, what, to which version, and nothing twice.
import { describe, expect, it } from 'vitest'
import { type HistoryRow, historyLines } from '../../src/cli/history-lines.js'

const row = (given: Partial<HistoryRow> & { what: string }): HistoryRow => ({
  at: '2026-05-01T12:00:00.123Z',
  kind: 'log',
  task: 't_1',
  by: { id: 'k_1', name: 'night shift' },
  fromVersion: 'W25-07',
  toVersion: 'W25-41',
  detail: { seq: 7 },
  ...given,
})
const reported = (at: string) =>
  row({ at, what: 'checkin.accepted', detail: { source: 'platform:k_1', timing: 'stated', observedAt: at } })

describe('a line of the history', () => {
  it('says who issued what', () => {
    expect(
      historyLines([row({ what: 'task.issued', detail: { method: 'card', deadline: '2026-05-08T12:00:00.000Z' } })]),
    ).toEqual([
      '2026-05-01T12:00:00Z  task t_1 issued: W25-07 -> W25-41 by card, until 2026-05-08T12:00:00Z  by night shift',
    ])
  })

  it('names the version of a report, and when it was seen where that is another time', () => {
    expect(historyLines([reported('2026-05-01T12:00:00.000Z')])[0]).toMatch(/ {2}reported W25-41 \(platform\) {2}by/)
    const old = { ...reported('2026-05-01T10:00:00.000Z'), at: '2026-05-01T12:00:00.000Z' }
    expect(historyLines([old])[0]).toContain(', observed 2026-05-01T10:00:00Z')
  })

  it('bears the grade of a move, and lays it at nobody’s door whose report was but the occasion', () => {
    const detail = { state: 'verified', grade: 'reported', implied: true }
    expect(historyLines([row({ what: 'task.moved', detail })])).toEqual([
      '2026-05-01T12:00:00Z  -> verified (implied, reported)',
    ])
  })

  it('keeps the id of a key whose name was erased', () => {
    const erased = row({ what: 'command.sent', by: { id: 'k_9', name: null } })
    expect(historyLines([erased])[0]).toMatch(/by k_9$/)
  })

  it('tells a download by its bytes', () => {
    const detail = {
      span: [0, 12582911],
      sentBytes: 5767168,
      acknowledgedBytes: 786432,
      end: 'reset',
      remoteAddress: '192.0.2.7',
      userAgent: null,
    }
    expect(historyLines([row({ kind: 'download', what: 'fetched a part', by: null, detail })])).toEqual([
      '2026-05-01T12:00:00Z  download of bytes 0 to 12,582,911: 5,767,168 sent, 786,432 acknowledged, reset; from 192.0.2.7',
    ])
  })

  it('folds what is said again and again, but nothing that differs', () => {
    const after = (at: string) =>
      row({ at, what: 'task.afterwards', detail: { version: 'W25-41', meaning: 'target-again' } })
    const times = ['12:01', '12:02', '12:03'].map((time) => `2026-05-01T${time}:00.000Z`)
    const lines = historyLines(times.flatMap((at) => [reported(at), after(at)]))
    expect(lines).toHaveLength(2)
    for (const line of lines) expect(line).toMatch(/\(3 times until 2026-05-01T12:03:00Z\)$/)
    const other = { ...reported(times[2]!), toVersion: 'W25-07' }
    expect(historyLines([reported(times[0]!), other, reported(times[1]!)])).toHaveLength(3)
    expect(historyLines([reported(times[0]!), other])).toHaveLength(2)
  })

  it('shows an action that it has no sentence for by its members', () => {
    expect(historyLines([row({ what: 'unit.moved', detail: { seq: 3, yard: 'north', slots: [1, 2] } })])).toEqual([
      '2026-05-01T12:00:00Z  unit.moved: yard north, slots 1, 2  by night shift',
    ])
  })
})
