// What makes a unit of the demo end as expected: the record, and the camera's own disk.
import { createHash } from 'node:crypto'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { afterAll, describe, expect, it } from 'vitest'
import type { Camera } from '../../src/camera/camera.js'
import { readScenario } from '../../src/camera/scenario.js'
import { deviations, type Outcome } from '../../src/cli/demo-check.js'
import { demoData } from '../../src/cli/demo-fleet.js'
import type { TaskView } from '../../src/tasks/task-view.js'

const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-check-'))
afterAll(() => rmSync(folder, { recursive: true, force: true }))

const BYTES = Buffer.alloc(5_000, 'firm')
const SHA256 = createHash('sha256').update(BYTES).digest('hex')
const onDisk = (name: string, bytes: Buffer): string => {
  const file = path.join(folder, name)
  writeFileSync(file, bytes)
  return file
}
const WHOLE = onDisk('whole', BYTES)
const OTHER = onDisk('other', Buffer.alloc(5_000, 'hand'))

const [anyUnit] = (await readScenario(path.join(await demoData(), 'scenario.json'))).units
const at = '2026-01-15T00:00:00.000Z'

/** A unit that was confirmed by air, with the whole file; `change` replaces members. */
function outcome(change: {
  expected?: Partial<Outcome['unit']['expected']>
  task?: Partial<TaskView> | null
  moves?: string[]
  file?: string | null
  mostHeldBytes?: number
  acknowledged?: [number, number][]
  skipped?: string
  standings?: string[]
}): Outcome {
  const task = {
    state: 'confirmed',
    reason: null,
    method: 'air',
    flags: [],
    afterwards: [],
    moves: (change.moves ?? ['queued', 'fetched', 'verified', 'applied', 'confirmed']).map((state) => ({ state })),
    ledger: {
      sizeBytes: BYTES.length,
      grade: 'acknowledged',
      sent: [],
      acknowledged: change.acknowledged ?? [[0, BYTES.length - 1]],
      inferred: [],
      duplicateBytes: 0,
    },
    ...change.task,
  } as unknown as TaskView
  const file = change.file === undefined ? WHOLE : change.file
  return {
    unit: {
      ...anyUnit!,
      expected: { state: 'confirmed', reason: null, flags: [], standing: null, afterwards: [], ...change.expected },
    },
    name: 'Gritter 3',
    camera: {
      file: file === null ? null : { path: file, sizeBytes: BYTES.length, sha256: SHA256 },
      mostHeldBytes: change.mostHeldBytes ?? BYTES.length,
    } as Camera,
    task: change.task === null ? null : task,
    skipped: change.skipped ?? null,
    standings: new Set(change.standings ?? []),
  }
}

describe('a unit ended as expected', () => {
  it.each<[string, Parameters<typeof outcome>[0]]>([
    ['where all agrees', {}],
    [
      'where it was to be skipped',
      { task: null, skipped: 'open-task', expected: { state: 'skipped', reason: 'open-task' } },
    ],
    [
      'with the flags that were to come',
      {
        task: { flags: ['clock'] },
        expected: { flags: ['clock'], standing: 'late' },
        standings: ['on-course', 'late'],
      },
    ],
    [
      'with what was to be seen afterwards among the rest',
      {
        task: {
          afterwards: ['old-version', 'target-again'].map((meaning) => ({ observedAt: at, version: '1', meaning })),
        },
        expected: { afterwards: ['old-version'] },
      },
    ],
    ['on a machine that counts nothing, of which a flag tells', { task: { flags: ['not-counted'] }, acknowledged: [] }],
    [
      'with no file, where the record itself says that it never fetched it',
      {
        task: { flags: ['not-by-this-link'] },
        expected: { flags: ['not-by-this-link'] },
        acknowledged: [],
        file: null,
      },
    ],
  ])('%s', async (_what, change) => {
    expect(await deviations(outcome(change), SHA256)).toEqual([])
  })
})

describe('a unit did not end as expected', () => {
  it.each<[string, Parameters<typeof outcome>[0], RegExp]>([
    [
      'in another state',
      { task: { state: 'failed', reason: 'reverted' } },
      /ended failed \(reverted\), expected was conf/,
    ],
    ['without a task', { task: null }, /ended nothing/],
    ['with a flag that nobody expected', { task: { flags: ['clock'] } }, /flags are "clock", expected were ""/],
    ['without a flag that was to come', { expected: { flags: ['clock'] } }, /flags are "", expected were "clock"/],
    ['without the standing', { expected: { standing: 'late' }, standings: ['on-course'] }, /never seen standing late/],
    ['without what was to follow', { expected: { afterwards: ['old-version'] } }, /no "old-version" was seen/],
    ['with another file on its disk than the package', { file: OTHER }, /its disk does not hold it/],
    ['with no file on its disk', { file: null }, /its disk does not hold it/],
    [
      'with more bytes claimed than it ever held',
      { mostHeldBytes: 4_999 },
      /5000 bytes are claimed, .* more than 4999/,
    ],
    [
      'with bytes claimed of a file that it never fetched',
      { task: { flags: ['not-by-this-link'] }, expected: { flags: ['not-by-this-link'] } },
      /5000 bytes are claimed of a file that it never fetched/,
    ],
  ])('%s', async (_what, change, words) => {
    expect((await deviations(outcome(change), SHA256)).join(' ')).toMatch(words)
  })
})
