import { type Command, Option } from 'commander'
import { type Run, show, table } from './command.js'

interface LinkRow {
  id: string
  kind: string
  package: string
  unit: string | null
  url: string
  byteBudget: number
  expiresAt: string | null
}

interface ListedRow extends LinkRow {
  state: string
  endReason: string | null
  sentBytes: number
  tasks: number
}

const HEADINGS = ['link', 'kind', 'state', 'tasks', 'sent', 'ends', 'url']

const rowOf = (link: ListedRow): string[] => [
  link.id,
  link.kind,
  link.endReason ?? link.state,
  String(link.tasks),
  `${Math.floor((link.sentBytes / Math.max(link.byteBudget, 1)) * 100)} %`,
  link.expiresAt ?? '-',
  link.url,
]

export function linkCommands(program: Command, run: Run): void {
  const link = program.command('link').description('links to files, for computers of people')
  link
    .command('add')
    .description('a copy link: for a technician’s computer or phone; whoever has it gets the file')
    .requiredOption('--package <PACKAGE>', 'id of a released package')
    .option('--tasks <TASK...>', 'open hand tasks that it serves; they are fetched when it was read to the end')
    .option('--expires <TIME>', 'RFC 3339; without it as FIRMHAND_TASK_DEADLINE_HOURS says, or with its last task')
    .option('--byte-budget <BYTES>', 'how many bytes may go out on it before it answers 410', Number)
    .action(async (options: { package: string; tasks?: string[]; expires?: string; byteBudget?: number }) => {
      const added = await run.api().send<LinkRow>('POST', '/links', {
        kind: 'copy',
        package: options.package,
        tasks: options.tasks,
        expiresAt: options.expires,
        byteBudget: options.byteBudget,
      })
      // The address alone on stdout, so that a script can pass it on.
      run.io.err(`link ${added.id}${added.expiresAt === null ? '' : `, ends ${added.expiresAt}`}\n`)
      show(run, added, () => [added.url])
    })
  link
    .command('list')
    .description('links, oldest first; how much of its byte budget each has used')
    .option('--package <PACKAGE>', 'to this package')
    .option('--unit <UNIT>', 'of this unit: our id, IMEI or serial number')
    .option('--task <TASK>', 'that serve this task')
    .addOption(new Option('--kind <KIND>', 'for units, or for computers of people').choices(['unit', 'copy']))
    .option('--live', 'only those that still give the file')
    .action(async (options: Record<string, string | boolean>) => {
      const { live, json: _json, ...filters } = options
      const query = new URLSearchParams(filters as Record<string, string>)
      if (live === true) query.set('state', 'live')
      const items = await run.api().all<ListedRow>(`/links?${query}`)
      show(run, items, () => table([HEADINGS, ...items.map(rowOf)]))
    })
  link
    .command('revoke <LINK>')
    .description('it answers 410 from now on, and downloads that run on it are cut')
    .action(async (id: string) => {
      await run.api().send<null>('DELETE', `/links/${encodeURIComponent(id)}`)
      show(run, { id, revoked: true }, () => [`link ${id} revoked`])
    })
}
