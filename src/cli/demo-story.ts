// What the demo tells its watcher: chapters, a line for each thing that happens, a moving line on a terminal. Pure but for
// the two ways out that it is given.
import type { TaskView } from '../tasks/task-view.js'
import { grouped, table } from './command.js'
import { percentOf } from './task-lines.js'

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

/** Everything fits a terminal of 80 columns, the narrowest that people still open; only commands to be copied may not. */
const PROGRESS_COLUMNS = 78
const QUOTE_COLUMNS = 73

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
      say(`  public side  ${publicUrl}  cameras download, versions are reported`)
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

/** What a state means, said of this task at this moment, in at most 41 signs: what is left of a line of 80. */
export function meaningOf(task: TaskView): string {
  const { ledger, moves, standing } = task
  const byPerson = moves.at(-1)?.grade === 'person'
  if (standing.grade === 'late') return LATE[task.state] ?? ''
  switch (task.state) {
    case 'fetched':
      if (task.method !== 'air') return 'the technician has the file'
      return ledger.inferred.length > 0
        ? `all bytes, ${grouped(bytesOf(ledger.inferred))} inferred by resume`
        : 'every byte acknowledged by its end'
    case 'verified':
      return byPerson ? 'right digest of the copy, says a person' : 'the copy is whole, says the camera'
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
  'not-applied': 'has the file, but still the old version',
  reverted: 'reported the target, then the old version',
  'fetch-stalled': 'download not complete at the deadline',
  'fetch-loop': 'fetched again and again; budget is gone',
  'no-answer': 'no word of the target by the deadline',
  'wrong-variant': 'a person found: the file is not for it',
}

export const happened = (given: { seconds: number; unit: string; task: TaskView }): string =>
  `${given.seconds.toFixed(1).padStart(5)} s  ${given.unit.padEnd(15)} ${given.task.state.padEnd(10)} ${meaningOf(given.task)}`.trimEnd()

export function progressOf(given: { seconds: number; open: number; unit: string; task: TaskView }): string {
  const { seconds, open, unit, task } = given
  return `${Math.round(seconds)} s, ${open} open; ${unit}: ${task.state}, ${meaningOf(task)}`
}

/** `%` of the file that may be claimed; `ok`: state, reason, flags and the camera’s own disk are as the scenario says. */
export const OUTCOME_HEADINGS = ['unit', 'its way', '%', 'ended', 'reason; flags', 'ok']

export function outcomeRow(of: {
  name: string
  way: string
  task: TaskView | null
  skipped: string | null
  asExpected: boolean
}): string[] {
  const { name, way, task, skipped, asExpected } = of
  const notes = [task?.reason ?? skipped ?? '', ...(task?.flags ?? [])].filter((note) => note !== '')
  return [
    name,
    way,
    task ? String(percentOf(task)).padStart(3) : '',
    task?.state ?? (skipped ? 'skipped' : 'nothing'),
    notes.join('; '),
    asExpected ? 'yes' : 'NO',
  ]
}
