// What the demo tells its watcher: chapters, a line for each thing that happens, a moving line on a terminal. Pure but for
// the two ways out that it is given.
import type { TaskView } from '../tasks/task-view.js'
import { table } from './command.js'
import { percentOf, stateOf } from './task-lines.js'

export interface Story {
  opening(at: { publicUrl: string; officeUrl: string }): void
  chapter(title: string): void
  line(text: string): void
  /** Something to be seen as it is, broken where a terminal would. */
  quote(text: string): void
  rows(rows: readonly (readonly string[])[]): void
  /** Replaces itself, and is gone before the next line; on a terminal only. */
  progress(text: string): void
  interrupted(): void
}

/** Wide enough for what is shown, narrow enough for a usual terminal. */
const PROGRESS_COLUMNS = 78
const QUOTE_COLUMNS = 90

export function createStory(ways: { say: (line: string) => void; progress: ((text: string) => void) | null }): Story {
  let shown = false
  let chapters = 0
  const clear = () => {
    if (shown) ways.progress?.(`\r${' '.repeat(PROGRESS_COLUMNS)}\r`)
    shown = false
  }
  const say = (line: string) => {
    clear()
    ways.say(line)
  }
  const story: Story = {
    opening: ({ publicUrl, officeUrl }) => {
      say('A real server on a throw-away folder, invented cameras, real HTTP between them.')
      say(`  public side  ${publicUrl}  cameras download, the fleet platform reports versions`)
      say(`  office side  ${officeUrl}  the API that operators and scripts use`)
    },
    chapter: (title) => {
      chapters += 1
      say('')
      say(`${chapters}. ${title}`)
    },
    line: (text) => say(text === '' ? '' : `   ${text}`),
    quote: (text) => {
      for (let at = 0; at < text.length; at += QUOTE_COLUMNS) say(`     | ${text.slice(at, at + QUOTE_COLUMNS)}`)
    },
    rows: (rows) => {
      for (const row of table(rows)) say(`   ${row}`)
    },
    progress: (text) => {
      if (!ways.progress) return
      clear()
      ways.progress(`   ${text}`.slice(0, PROGRESS_COLUMNS))
      shown = true
    },
    interrupted: () => say('Stopped before the end.'),
  }
  return story
}

const bytesOf = (spans: readonly [number, number][]): number =>
  spans.reduce((sum, [first, last]) => sum + last - first + 1, 0)

export const grouped = (bytes: number): string => String(bytes).replace(/\B(?=(\d{3})+$)/g, ',')

/** What a state means, said of this task at this moment, short enough for a line of a hundred columns. */
export function meaningOf(task: TaskView): string {
  const { ledger, moves, standing } = task
  const byPerson = moves.at(-1)?.grade === 'person'
  if (standing.grade === 'late') return LATE[task.state] ?? ''
  switch (task.state) {
    case 'fetched':
      if (task.method !== 'air') return 'the technician has the file'
      return ledger.inferred.length > 0
        ? `every byte, ${grouped(bytesOf(ledger.inferred))} inferred by its resume`
        : 'every byte acknowledged by the camera’s end'
    case 'verified':
      return byPerson ? 'the copy has the right digest, says a person' : 'the copy is whole, says the camera'
    case 'applied':
      return `${task.toVersion} reported; the soak time begins`
    case 'confirmed':
      return byPerson ? 'on a person’s word' : `still ${task.toVersion} after the soak time`
    case 'queued':
      return `${percentOf(task)} % fetched`
    default:
      return CLOSED[task.reason ?? ''] ?? task.standing.cause ?? ''
  }
}

/** The standing in short; `task show` has cause and next step in full. */
const LATE: Partial<Record<TaskView['state'], string>> = {
  queued: 'late: nothing more is heard of the download',
  fetched: 'late: no word of the target version yet',
  verified: 'late: no word of the target version yet',
  applied: 'late: not told again at a time to rely on',
}

const CLOSED: Record<string, string> = {
  'not-applied': 'had file and time, still reports the old version',
  reverted: 'reported the target, then the old version again',
  'fetch-stalled': 'the download was not complete at the deadline',
  'fetch-loop': 'fetched again and again; its byte budget is gone',
  'no-answer': 'no word of the target by the deadline',
  'wrong-variant': 'a person found that the file is not for it',
}

export const happened = (given: { seconds: number; unit: string; task: TaskView }): string =>
  `${given.seconds.toFixed(1).padStart(5)} s  ${given.unit.padEnd(16)} ${stateOf(given.task).padEnd(22)} ${meaningOf(given.task)}`.trimEnd()

export function progressOf(given: { seconds: number; open: number; unit: string; task: TaskView }): string {
  const { seconds, open, unit, task } = given
  return `${Math.round(seconds)} s, ${open} open; ${unit}: ${task.state}, ${meaningOf(task)}`
}

export const OUTCOME_HEADINGS = ['unit', 'its way', 'bytes', 'ended', 'reason; flags', 'as expected']

export function outcomeRow(of: {
  name: string
  way: string
  task: TaskView | null
  skipped: string | null
  asExpected: boolean
}): string[] {
  const { name, way, task, skipped, asExpected } = of
  const inferred = task && task.ledger.inferred.length > 0 ? ' inferred' : ''
  const notes = [task?.reason ?? skipped ?? '', ...(task?.flags ?? [])].filter((note) => note !== '')
  return [
    name,
    way,
    task ? `${percentOf(task)} %${inferred}` : '',
    task?.state ?? (skipped ? 'skipped' : 'nothing'),
    notes.join('; '),
    asExpected ? 'yes' : 'NO',
  ]
}
