// What the demo tells its watcher: chapters, a line for each thing that happens, a moving line on a terminal. Pure but for
// the two ways out that it is given.
import { CLOSED_WORDS } from '../tasks/standing-words.js'
import type { TaskView } from '../tasks/task-view.js'
import { table } from './command.js'
import { percentOf, stateOf } from './task-lines.js'

export interface Story {
  opening(at: { publicUrl: string; officeUrl: string }): void
  chapter(title: string): void
  line(text: string): void
  rows(rows: readonly (readonly string[])[]): void
  /** Replaces itself, and is gone before the next line; on a terminal only. */
  progress(text: string): void
  interrupted(): void
}

/** Wide enough for what is shown, narrow enough for a usual terminal. */
const PROGRESS_COLUMNS = 78

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

/** What a state means, said of this task at this moment. */
export function meaningOf(task: TaskView): string {
  const { ledger } = task
  switch (task.state) {
    case 'fetched':
      return ledger.inferred.length > 0
        ? `every byte, ${grouped(bytesOf(ledger.inferred))} of them inferred from how it resumed`
        : 'every byte acknowledged by the camera’s end of the connection'
    case 'verified':
      return 'the camera says that its copy is whole'
    case 'applied':
      return `the camera reports ${task.toVersion}; it must still do so after the soak time`
    case 'confirmed':
      return `still ${task.toVersion} after the soak time: done`
    case 'queued':
      return `${percentOf(task)} % fetched`
    default:
      return CLOSED_WORDS.get(task.reason ?? '')?.cause ?? ''
  }
}

export const happened = (given: { seconds: number; unit: string; task: TaskView }): string =>
  `${given.seconds.toFixed(1).padStart(5)} s  ${given.unit.padEnd(16)} ${stateOf(given.task).padEnd(23)} ${meaningOf(given.task)}`.trimEnd()
