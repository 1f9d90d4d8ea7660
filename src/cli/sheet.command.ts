// The paper of hand work: printing sheets, and typing filled ones in.
import { writeFile } from 'node:fs/promises'
import { type Command, Option } from 'commander'
import { type FINDING_CODES, OUTCOMES, POST_CHECKS } from '../sheets/hand-report.js'
import { SHEETS_MAX } from '../sheets/sheet-limits.js'
import type { TaskView } from '../tasks/task-view.js'
import { ApiError } from './api-client.js'
import { EXIT, listOf, type Run, show } from './command.js'
import { taskLines } from './task-lines.js'

interface ReportOptions {
  by: string
  outcome: string
  startedAt?: string
  identity?: string
  digest?: string
  before?: string
  beforeAt?: string
  version?: string
  at?: string
  again?: string
  againAt?: string
  volts?: number
  voltsLoad?: number
  checks?: string
  note?: string
}

interface Reported {
  report: string
  duplicate: boolean
  findings: { code: (typeof FINDING_CODES)[number]; text: string }[]
  task: TaskView
}

/** What means that the job is not done as it should be; the others are for information. */
const NOT_RIGHT: readonly string[] = ['digest-differs', 'version-differs', 'before-issue', 'path-not-allowed']

export function sheetCommands(task: Command, run: Run): void {
  task
    .command('sheet [TASK...]')
    .description('the printable sheet of a task done by hand, as HTML; of several tasks on pages of their own')
    .option('--group <GROUP>', 'of all open hand tasks of units of this group, in place of TASK')
    .option(
      '--out <FILE>',
      'write it into this file, which only you may read if it is new: its link opens the firmware',
    )
    .action(async (ids: string[], options: { group?: string; out?: string }, command: Command) => {
      if ((ids.length === 0) === (options.group === undefined)) {
        command.error('error: name tasks, or a group with --group', { exitCode: EXIT.usage })
      }
      const wanted = options.group === undefined ? [...new Set(ids)] : await openTasks(run, options.group)
      if (wanted.length === 0 || wanted.length > SHEETS_MAX) {
        const counted = wanted.length === 0 ? 'There is no open task to print' : `${wanted.length} tasks are too many`
        throw new ApiError({
          type: '/problems/nothing-printed',
          title: 'No sheet was printed',
          code: 'nothing-printed',
          detail: `${counted}: name 1 to ${SHEETS_MAX} tasks.`,
        })
      }
      const path =
        wanted.length === 1
          ? `/tasks/${encodeURIComponent(wanted[0]!)}/sheet`
          : `/tasks/sheets?ids=${wanted.map(encodeURIComponent).join(',')}`
      const html = await textOf(await run.api().stream(path))
      const { out } = options
      if (out === undefined) {
        if (run.json()) run.io.out(`${JSON.stringify({ tasks: wanted, html })}\n`)
        else run.io.out(html)
        return
      }
      await writeFile(out, html, { mode: 0o600 })
      show(run, { tasks: wanted, file: out }, () => [
        `${wanted.length === 1 ? 'sheet' : `${wanted.length} sheets`} in ${out}: open it in a browser and print it`,
      ])
    })
  task
    .command('report <TASK>')
    .description('type a filled sheet in: versions, digest, supply and the technician’s word, all or nothing')
    .requiredOption('--by <NAME>', 'the technician, as on the sheet')
    .addOption(new Option('--outcome <OUTCOME>', 'as ticked').choices(OUTCOMES).default('done'))
    .option('--version <VERSION>', 'version after, as read off the unit')
    .option('--at <TIME>', 'when it was read, RFC 3339; without it now')
    .option('--again <VERSION>', 'version read once more, the soak time later')
    .option('--again-at <TIME>', 'when that was')
    .option('--before <VERSION>', 'version before')
    .option('--before-at <TIME>', 'when that was; without it --started-at')
    .option('--started-at <TIME>', 'start time')
    .option('--identity <TEXT>', 'IMEI or serial as read off the unit; another unit’s is refused')
    .option('--digest <HEX>', 'what the technician’s computer computed of its copy')
    .option('--volts <V>', 'supply at start', Number)
    .option('--volts-load <V>', 'supply under load', Number)
    .option('--checks <NAMES>', `comma-separated, what was right afterwards: ${POST_CHECKS.join(', ')}`)
    .option('--note <TEXT>', 'as on the sheet')
    .action(async (id: string, options: ReportOptions, command: Command) => {
      const missing = missingTime(options)
      if (missing) command.error(`error: ${missing}`, { exitCode: EXIT.usage })
      const unknown = listOf(options.checks ?? '').filter((name) => !(POST_CHECKS as readonly string[]).includes(name))
      if (unknown.length > 0) {
        command.error(`error: --checks knows ${POST_CHECKS.join(', ')}, not ${unknown.join(', ')}`, {
          exitCode: EXIT.usage,
        })
      }
      const now = new Date(run.io.clock()).toISOString()
      const reported = await run
        .api()
        .send<Reported>('POST', `/tasks/${encodeURIComponent(id)}/hand-report`, bodyOf(options, now))
      if (reported.findings.some(({ code }) => NOT_RIGHT.includes(code))) run.end(EXIT.failed)
      for (const { text } of reported.findings) run.io.err(`note: ${text}\n`)
      show(run, reported, () => [
        reported.duplicate
          ? 'this sheet was typed in before; nothing was done'
          : `sheet recorded as ${reported.report}`,
        ...taskLines(reported.task),
      ])
    })
}

function missingTime({ again, againAt, before, beforeAt, startedAt }: ReportOptions): string | null {
  if (again !== undefined && againAt === undefined) return '--again needs --again-at'
  if (before !== undefined && beforeAt === undefined && startedAt === undefined)
    return '--before needs --before-at or --started-at'
  return null
}

function bodyOf(options: ReportOptions, now: string): object {
  const { by, outcome, startedAt, identity, digest, volts, voltsLoad, checks, note } = options
  const read = (version: string | undefined, observedAt: string | undefined) =>
    version === undefined ? undefined : { version, observedAt }
  return {
    by,
    outcome,
    startedAt,
    identityRead: identity,
    digest: digest?.replace(/\s/g, ''), // Groups as on the sheet may be typed as such.
    before: read(options.before, options.beforeAt ?? startedAt),
    after: read(options.version, options.at ?? now),
    again: read(options.again, options.againAt),
    ...((volts !== undefined || voltsLoad !== undefined) && { supplyVolts: { start: volts, underLoad: voltsLoad } }),
    ...(checks !== undefined && { checks: Object.fromEntries(listOf(checks).map((name) => [name, true])) }),
    note,
  }
}

async function openTasks(run: Run, group: string): Promise<string[]> {
  const tasks = await run.api().all<TaskView>(`/tasks?group=${encodeURIComponent(group)}`)
  return tasks.filter((task) => task.method !== 'air' && task.standing.grade !== 'closed').map((task) => task.id)
}

async function textOf(pieces: AsyncIterable<Uint8Array>): Promise<string> {
  const decoder = new TextDecoder()
  let text = ''
  for await (const piece of pieces) text += decoder.decode(piece, { stream: true })
  return text + decoder.decode()
}
