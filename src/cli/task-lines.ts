// How a task looks to a person: one row of a list, or the whole of it. Pure.
import type { TaskView } from '../tasks/task-view.js'

export const TASK_HEADINGS = ['task', 'unit', 'state', 'standing', 'bytes', 'versions']

/** What may be claimed of the bytes: proven and inferred ones, or the sent ones where nothing better can be known. */
export function claimedBytes({ ledger }: Pick<TaskView, 'ledger'>): number {
  const spans = ledger.grade === 'sent' ? ledger.sent : [...ledger.acknowledged, ...ledger.inferred]
  return spans.reduce((sum, [first, last]) => sum + last - first + 1, 0)
}

export const percentOf = (task: Pick<TaskView, 'ledger'>): number =>
  Math.floor((claimedBytes(task) / Math.max(task.ledger.sizeBytes, 1)) * 100)

export const stateOf = ({ state, reason }: Pick<TaskView, 'state' | 'reason'>): string =>
  reason === null ? state : `${state} (${reason})`

export const taskRow = (task: TaskView): string[] => [
  task.id,
  task.imei ?? task.serial ?? task.unit,
  stateOf(task),
  task.standing.grade,
  `${percentOf(task)} %`,
  `${task.fromVersion ?? '?'} -> ${task.toVersion}`,
]

/** What comes next where people do it: the sheet. */
export function nextStepLines(tasks: readonly Pick<TaskView, 'id' | 'method'>[]): string[] {
  const byHand = tasks.filter(({ method }) => method !== 'air')
  if (byHand.length === 0) return []
  const [one] = byHand
  const which = byHand.length === 1 ? one!.id : 'TASK…'
  return [`next: print the sheet${byHand.length === 1 ? '' : 's'}: firmhand task sheet ${which} --out sheet.html`]
}

/** What a platform reports every minute behind the end of a task is one line, with how often and until when. */
function afterwardsLines(afterwards: TaskView['afterwards']): string[] {
  const runs: { first: string; last: string; text: string; times: number }[] = []
  for (const { observedAt, version, meaning } of afterwards) {
    const text = `${version}: ${meaning}`
    const same = runs.at(-1)
    if (same?.text === text) {
      same.times += 1
      same.last = observedAt
    } else runs.push({ first: observedAt, last: observedAt, text, times: 1 })
  }
  return runs.map(({ first, last, text, times }) =>
    times === 1 ? `afterwards  ${first}  ${text}` : `afterwards  ${first}  ${text}, ${times} times until ${last}`,
  )
}

export function taskLines(task: TaskView): string[] {
  const { standing, ledger, link } = task
  const moves = task.moves.map(({ state, at, grade, implied, evidence, observedAt, by }) => {
    const observed = observedAt !== null && observedAt !== at ? `, observed ${observedAt}` : ''
    const person = by === null ? '' : ` by ${by}`
    return `  ${at}  ${state.padEnd(10)} ${grade}${implied ? ', implied' : ''}: ${evidence.kind}${person}${observed}`
  })
  return [
    `task      ${task.id}  ${stateOf(task)}`,
    `unit      ${task.unit}  IMEI ${task.imei ?? '-'}  serial ${task.serial ?? '-'}`,
    `versions  ${task.fromVersion ?? '?'} -> ${task.toVersion} by ${task.method}, package ${task.package}`,
    `standing  ${standing.grade} since ${standing.since}`,
    ...(standing.cause === null ? [] : [`cause     ${standing.cause}`]),
    ...(standing.next === null ? [] : [`next      ${standing.next}`]),
    `deadline  ${task.deadline}`,
    `ledger    ${claimedBytes(task)} of ${ledger.sizeBytes} bytes ${ledger.grade}, ${ledger.duplicateBytes} sent twice`,
    ...(link === null ? [] : [`link      ${link.url}  ${link.state}`]),
    'moves',
    ...moves,
    ...(task.flags.length > 0 ? [`flags     ${task.flags.join(', ')}`] : []),
    ...afterwardsLines(task.afterwards),
  ]
}
