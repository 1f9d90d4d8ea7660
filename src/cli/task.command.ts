import { setTimeout as wait } from 'node:timers/promises'
import type { Command } from 'commander'
import type { TaskView } from '../tasks/task-view.js'
import { ApiError } from './api-client.js'
import type { Run } from './cli.js'
import { EXIT, show, table } from './command.js'

interface IssueOptions {
  unit?: string[]
  group?: string
  package: string
  method: string
  deadline?: string
  supersede?: boolean
  force?: boolean
  allowSkips?: boolean
  acknowledge?: string
}

interface Issued {
  tasks: TaskView[]
  skipped: { unit: string; code: string; detail: string }[]
}

/** Between two looks of `watch`. */
const LOOK_MS = 1000

const lines = (task: TaskView): string[] => [
  `task ${task.id}  ${task.state}${task.reason ? ` (${task.reason})` : ''}  ${task.fromVersion ?? '?'} -> ${task.toVersion} by ${task.method}`,
  `unit ${task.unit}  IMEI ${task.imei ?? '-'}  serial ${task.serial ?? '-'}`,
  `standing ${task.standing.grade} since ${task.standing.since}${task.standing.cause ? `: ${task.standing.cause}` : ''}`,
  ...(task.standing.next ? [`next ${task.standing.next}`] : []),
  `deadline ${task.deadline}`,
  `ledger ${bytesOf(task)} of ${task.ledger.sizeBytes} bytes ${task.ledger.grade}`,
  ...task.moves.map(
    (move) => `  ${move.at}  ${move.state}  ${move.grade}${move.implied ? ', implied' : ''} (${move.evidence.kind})`,
  ),
  ...(task.flags.length > 0 ? [`flags ${task.flags.join(', ')}`] : []),
  ...task.afterwards.map((entry) => `afterwards ${entry.observedAt} ${entry.version}: ${entry.meaning}`),
]

function bytesOf(task: TaskView): number {
  const spans = task.ledger.grade === 'sent' ? task.ledger.sent : [...task.ledger.acknowledged, ...task.ledger.inferred]
  return spans.reduce((sum, [first, last]) => sum + last - first + 1, 0)
}

const row = (task: TaskView): string[] => [
  task.id,
  task.imei ?? task.serial ?? task.unit,
  task.state + (task.reason ? ` (${task.reason})` : ''),
  task.standing.grade,
  `${Math.floor((bytesOf(task) / Math.max(task.ledger.sizeBytes, 1)) * 100)} %`,
  `${task.fromVersion ?? '?'} -> ${task.toVersion}`,
]
const HEADINGS = ['task', 'unit', 'state', 'standing', 'bytes', 'versions']

export function taskCommands(program: Command, run: Run): void {
  const task = program.command('task').description('upgrades of units')
  const context = () => ({ io: run.io, json: run.json() })
  const at = (id: string, verb = '') => `/tasks/${encodeURIComponent(id)}${verb}`

  task
    .command('issue')
    .description('one task for each unit named, or for each unit of a group')
    .option('--unit <UNIT...>', 'our id, IMEI or serial number; may be given more than once')
    .option('--group <GROUP>')
    .requiredOption('--package <PACKAGE>')
    .option('--method <METHOD>', 'air, cable, card or hotspot', 'air')
    .option('--deadline <TIME>', 'RFC 3339')
    .option('--supersede', 'replace open tasks of these units')
    .option('--force', 'also where the unit reports the version already')
    .option('--allow-skips', 'exit 0 also where some units were skipped')
    .option('--acknowledge <WORD>', '"may-be-installing": replace a task whose unit may be installing')
    .action(async (options: IssueOptions) => {
      if ((options.unit === undefined) === (options.group === undefined)) {
        task.error('error: name units with --unit, or a group with --group', { exitCode: EXIT.usage })
      }
      const issued = await run.api().send<Issued>('POST', '/tasks', {
        ...(options.unit && { units: options.unit }),
        ...(options.group !== undefined && { group: options.group }),
        package: options.package,
        method: options.method,
        deadline: options.deadline,
        supersede: options.supersede ?? false,
        force: options.force ?? false,
        acknowledge: options.acknowledge,
      })
      if (issued.skipped.length > 0 && !options.allowSkips) run.end(EXIT.failed)
      show(context(), issued, () => [
        ...table([HEADINGS, ...issued.tasks.map(row)]),
        ...issued.skipped.map((skip) => `skipped ${skip.unit}: ${skip.detail} (${skip.code})`),
      ])
    })
  task
    .command('list')
    .description('tasks, oldest first')
    .option('--state <STATE>')
    .option('--unit <UNIT>')
    .option('--group <GROUP>')
    .option('--package <PACKAGE>')
    .action(async (options: Record<string, string>) => {
      const query = new URLSearchParams(Object.entries(options).filter(([name]) => name !== 'json'))
      const items = await run.api().all<TaskView>(`/tasks?${query}`)
      show(context(), items, () => table([HEADINGS, ...items.map(row)]))
    })
  task
    .command('show <TASK>')
    .description('one task with its moves and evidence')
    .action(async (id: string) => {
      const found = await run.api().get<TaskView>(at(id))
      show(context(), found, () => lines(found))
    })
  task
    .command('watch <TASK...>')
    .description('wait until every task is closed; exit 0 if all are confirmed')
    .action(async (ids: string[]) => {
      const tasks = await watch(run, ids)
      if (tasks.some((found) => found.state !== 'confirmed')) run.end(EXIT.failed)
      show(context(), tasks, () => table([HEADINGS, ...tasks.map(row)]))
    })
  task
    .command('cancel <TASK>')
    .description('close a task; an installation that runs is not stopped by it')
    .requiredOption('--reason <TEXT>')
    .option('--acknowledge <WORD>', '"may-be-installing", needed from fetched on')
    .action(async (id: string, options: { reason: string; acknowledge?: string }) => {
      const { reason, acknowledge } = options
      const cancelled = await run.api().send<TaskView>('POST', at(id, '/cancel'), { reason, acknowledge })
      show(context(), cancelled, () => lines(cancelled))
    })
  task
    .command('attest <TASK>')
    .description('a person’s word: fetched, verified, confirmed (from applied) or failed')
    .requiredOption('--state <STATE>')
    .requiredOption('--note <TEXT>', 'what was seen, by whom, where')
    .option('--reason <REASON>', 'for failed: no-life, wrong-variant or other')
    .action(async (id: string, options: { state: string; note: string; reason?: string }) => {
      const { state, note, reason } = options
      const attested = await run.api().send<TaskView>('POST', at(id, '/attest'), { state, note, reason })
      show(context(), attested, () => lines(attested))
    })

  const command = program.command('command').description('texts for units')
  command
    .command('show <TASK>')
    .description('the text to send, alone on stdout; cautions on stderr')
    .action(async (id: string) => {
      const found = await run.api().get<TaskView>(at(id))
      if (!found.command) {
        throw new ApiError({
          code: 'no-command',
          detail: `Task ${id} is done by ${found.method}: there is no command to send.`,
        })
      }
      const { text, cautions, encoding, units, segments } = found.command
      run.io.err(`${encoding}, ${units} units, ${segments} message${segments === 1 ? '' : 's'}\n`)
      for (const caution of cautions) run.io.err(`caution: ${caution.text}\n`)
      show(context(), found.command, () => [text])
    })
  command
    .command('sent <TASK>')
    .description('record that you have sent the text by hand')
    .action(async (id: string) => {
      const sent = await run.api().send<TaskView>('POST', at(id, '/dispatch'), { channel: 'hand' })
      show(context(), sent, () => lines(sent))
    })
}

/** Looks again until all are closed; a line for each change where a person is watching. */
async function watch(run: Run, ids: string[]): Promise<TaskView[]> {
  const seen = new Map<string, string>()
  for (;;) {
    const tasks = await Promise.all(ids.map((id) => run.api().get<TaskView>(`/tasks/${encodeURIComponent(id)}`)))
    for (const task of tasks) {
      const text = row(task).slice(1).join('  ')
      if (run.io.isTerminal && seen.get(task.id) !== text)
        run.io.err(`${new Date(run.io.clock()).toISOString()}  ${text}\n`)
      seen.set(task.id, text)
    }
    if (tasks.every((task) => task.standing.grade === 'closed')) return tasks
    await wait(LOOK_MS)
  }
}
