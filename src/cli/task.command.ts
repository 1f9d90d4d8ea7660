import { setTimeout as wait } from 'node:timers/promises'
import { type Command, Option } from 'commander'
import { cautionsBefore } from '../models/cautions.js'
import { MAY_BE_INSTALLING } from '../tasks/actions.js'
import { ATTESTED_REASONS, METHODS, OPEN, TASK_EXITS, TASK_STATES } from '../tasks/facts.js'
import type { TaskView } from '../tasks/task-view.js'
import { ApiError } from './api-client.js'
import { EXIT, type Run, show, table } from './command.js'
import { sheetCommands } from './sheet.command.js'
import { nextStepLines, TASK_HEADINGS, taskLines, taskRow } from './task-lines.js'

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

type ListOptions = Partial<Record<'state' | 'unit' | 'group' | 'package', string>> & {
  standing?: string[]
  json?: true
}

interface Issued {
  tasks: TaskView[]
  skipped: { unit: string; code: string; detail: string }[]
}

/** Between two looks of `watch`. */
const LOOK_MS = 1000
/** A watch goes on for days: a server that is restarted meanwhile is waited for, one that stays away is not. */
const AWAY_MAX_MS = 10 * 60_000

const acknowledge = () =>
  new Option('--acknowledge <WORD>', 'say that you know that the unit may be installing, which nothing stops').choices([
    MAY_BE_INSTALLING,
  ])

export function taskCommands(program: Command, run: Run): void {
  const task = program.command('task').description('upgrades of units')
  const at = (id: string, verb = '') => `/tasks/${encodeURIComponent(id)}${verb}`

  task
    .command('issue')
    .description('one task for each unit named, or for each unit of a group')
    .option('--unit <UNIT...>', 'our id, IMEI or serial number; several with blanks between')
    .option('--group <GROUP>', 'all units of this group, in place of --unit')
    .requiredOption('--package <PACKAGE>', 'id of a released package')
    .addOption(new Option('--method <METHOD>', 'how the file gets into the unit').choices(METHODS).default('air'))
    .option('--deadline <TIME>', 'RFC 3339; without it as FIRMHAND_TASK_DEADLINE_HOURS says')
    .option('--supersede', 'replace open tasks of these units')
    .option('--force', 'also where the unit reports the version already')
    .option('--allow-skips', 'exit 0 also where some units were skipped')
    .addOption(acknowledge())
    .action(async (options: IssueOptions, command: Command) => {
      if ((options.unit === undefined) === (options.group === undefined)) {
        command.error('error: name units with --unit, or a group with --group', { exitCode: EXIT.usage })
      }
      for (const caution of cautionsBefore(options.method)) run.io.err(`caution: ${caution.text}\n`)
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
      show(run, issued, () => [
        ...table([TASK_HEADINGS, ...issued.tasks.map(taskRow)]),
        ...issued.skipped.map((skip) => `skipped ${skip.unit}: ${skip.detail} (${skip.code})`),
        ...nextStepLines(issued.tasks),
      ])
    })
  task
    .command('list')
    .description('tasks, oldest first')
    .addOption(new Option('--state <STATE>', 'in this state').choices([...TASK_STATES, ...TASK_EXITS, OPEN]))
    .addOption(
      new Option('--standing <STANDING...>', 'open ones that stand so; "late silent" are those that need somebody')
        .choices(['on-course', 'late', 'silent'])
        .conflicts('state'),
    )
    .option('--unit <UNIT>', 'of this unit: our id, IMEI or serial number')
    .option('--group <GROUP>', 'of units of this group')
    .option('--package <PACKAGE>', 'to this package')
    .action(async ({ standing: wanted, json: _json, ...filter }: ListOptions) => {
      const query = new URLSearchParams(wanted ? { ...filter, state: OPEN } : filter)
      const all = await run.api().all<TaskView>(`/tasks?${query}`)
      const items = wanted ? all.filter((found) => wanted.includes(found.standing.grade)) : all
      show(run, items, () => table([TASK_HEADINGS, ...items.map(taskRow)]))
    })
  task
    .command('show <TASK>')
    .description('one task with its moves and evidence')
    .action(async (id: string) => {
      const found = await run.api().get<TaskView>(at(id))
      show(run, found, () => taskLines(found))
    })
  task
    .command('watch <TASK...>')
    .description('wait until every task is closed; exit 0 if all are confirmed')
    .action(async (ids: string[]) => {
      const tasks = await watch(run, ids)
      if (tasks.some((found) => found.state !== 'confirmed')) run.end(EXIT.failed)
      show(run, tasks, () => table([TASK_HEADINGS, ...tasks.map(taskRow)]))
    })
  task
    .command('cancel <TASK>')
    .description('close a task; an installation that runs is not stopped by it')
    .requiredOption('--reason <TEXT>', 'why, for the record')
    .addOption(acknowledge())
    .action(async (id: string, options: { reason: string; acknowledge?: string }) => {
      const { reason, acknowledge } = options
      const cancelled = await run.api().send<TaskView>('POST', at(id, '/cancel'), { reason, acknowledge })
      show(run, cancelled, () => taskLines(cancelled))
    })
  task
    .command('attest <TASK>')
    .description('a person’s word: fetched, verified, confirmed (from applied) or failed')
    .addOption(
      new Option('--state <STATE>', 'never applied: a version that was read is a check-in')
        .choices(['fetched', 'verified', 'confirmed', 'failed'])
        .makeOptionMandatory(),
    )
    .requiredOption('--note <TEXT>', 'what was seen, by whom, where')
    .addOption(new Option('--reason <REASON>', 'for failed').choices(ATTESTED_REASONS))
    .option(
      '--digest <HEX>',
      'with verified: what the technician’s computer computed of its copy; exit 1 if it is wrong',
    )
    .action(async (id: string, options: { state: string; note: string; reason?: string; digest?: string }) => {
      const { state, note, reason } = options
      const digest = options.digest?.replace(/\s/g, '')
      const attested = await run.api().send<TaskView>('POST', at(id, '/attest'), { state, note, reason, digest })
      // Another digest than the package's is recorded, and does not bring the task to where it was said to be.
      if (digest !== undefined && !(await isOfPackage(run, attested, digest))) run.end(EXIT.failed)
      show(run, attested, () => taskLines(attested))
    })
  sheetCommands(task, run)
}

async function isOfPackage(run: Run, task: TaskView, digest: string): Promise<boolean> {
  const pack = await run.api().get<{ digests: Record<string, string> }>(`/packages/${encodeURIComponent(task.package)}`)
  return Object.values(pack.digests).includes(digest.toLowerCase())
}

/** Looks again until all are closed; a line for each change where a person is watching. */
async function watch(run: Run, ids: string[]): Promise<TaskView[]> {
  const seen = new Map<string, string>()
  const tell = (text: string) => {
    if (run.io.isTerminal) run.io.err(`${new Date(run.io.clock()).toISOString()}  ${text}\n`)
  }
  let lastAnswerMs: number | null = null
  for (;;) {
    try {
      const tasks = await Promise.all(ids.map((id) => run.api().get<TaskView>(`/tasks/${encodeURIComponent(id)}`)))
      lastAnswerMs = run.io.clock()
      for (const task of tasks) {
        const text = taskRow(task).slice(1).join('  ')
        if (seen.get(task.id) !== text) tell(text)
        seen.set(task.id, text)
      }
      if (tasks.every((task) => task.standing.grade === 'closed')) return tasks
    } catch (error) {
      const isAway = error instanceof ApiError && error.problem.code === 'server-unreachable'
      if (!isAway || lastAnswerMs === null || run.io.clock() - lastAnswerMs > AWAY_MAX_MS) throw error
      tell('the server does not answer; it is waited for')
    }
    await wait(LOOK_MS)
  }
}
