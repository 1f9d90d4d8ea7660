import { createWriteStream } from 'node:fs'
import { stat } from 'node:fs/promises'
import { pipeline } from 'node:stream/promises'
import { type Command, Option } from 'commander'
import { ApiError } from './api-client.js'
import { EXIT, listOf, type Run, show, table } from './command.js'
import { type HistoryRow, historyLines } from './history-lines.js'
import { findingLines, type ListAnswer, summary } from './unit-list.js'

interface UnitRow {
  id: string
  imei: string | null
  serial: string | null
  model: string
  groups: string[]
  version: string | null
  versionObservedAt: string | null
  openTask: string | null
  phone: string | null
  retired: boolean
  notes: string
}

interface SetOptions {
  model?: string
  imei?: string
  serial?: string
  phone?: string
  iccid?: string
  hardware?: string
  groups?: string
  timeZone?: string
  notes?: string
  retired?: string
}

const lines = (unit: UnitRow): string[] => [
  `unit ${unit.id}  ${unit.model}${unit.retired ? '  retired' : ''}`,
  `IMEI ${unit.imei ?? '-'}  serial ${unit.serial ?? '-'}  phone ${unit.phone ?? '-'}`,
  `groups ${unit.groups.join(', ') || '-'}`,
  `version ${unit.version ?? 'not reported yet'}${unit.versionObservedAt ? `, observed ${unit.versionObservedAt}` : ''}`,
  `open task ${unit.openTask ?? '-'}`,
]

/** Lists of units, in and out: docs/unit-lists.md. */
function listCommands(unit: Command, run: Run): void {
  unit
    .command('import <FILE>')
    .description('add and change units by a list, as spreadsheets save it: all rows, or none')
    .option('--partial', 'take the good rows although others are refused')
    .option('--check', 'read and judge everything, store nothing')
    .option('--region <CC>', 'country of phone numbers without +, as GB; without it they are refused')
    .action(async (file: string, options: { partial?: boolean; check?: boolean; region?: string }) => {
      const query = new URLSearchParams({ partial: String(!!options.partial), check: String(!!options.check) })
      if (options.region !== undefined) query.set('region', options.region)
      const { size } = await stat(file)
      if (run.io.isTerminal) run.io.err(`sending ${file}, ${size} bytes; the server reads and judges it …\n`)
      try {
        const answer = await run
          .api()
          .upload<ListAnswer>(`/units/import?${query}`, file, { 'content-type': 'text/csv' })
        if (answer.rejectedRows > 0) run.end(EXIT.failed)
        show(run, answer, () => [
          summary(answer),
          ...findingLines('refused', answer.rejected),
          ...findingLines('caution', answer.cautions),
        ])
      } catch (error) {
        // With --json the problem itself is the one value.
        const answer = error instanceof ApiError ? (error.problem as unknown as Partial<ListAnswer>) : {}
        if (!run.json()) for (const line of findingLines('refused', answer.rejected ?? [])) run.io.err(`${line}\n`)
        throw error
      }
    })
  unit
    .command('export [FILE]')
    .description('the same list of all units, to the file or to stdout')
    .option('--group <GROUP>', 'of this group')
    .option('--model <MODEL>', 'of this model')
    .action(async (file: string | undefined, options: { group?: string; model?: string }, command: Command) => {
      if (run.json() && file === undefined) {
        command.error('error: --json needs a FILE: a list is no JSON', { exitCode: EXIT.usage })
      }
      const pieces = await run.api().stream(`/units/export?${filterQuery(options)}`)
      if (file !== undefined) {
        await pipeline(pieces, createWriteStream(file))
        show(run, { file }, () => [`written to ${file}`])
        return
      }
      const decoder = new TextDecoder('utf-8', { ignoreBOM: true })
      for await (const piece of pieces) {
        run.io.out(decoder.decode(piece, { stream: true }))
        await run.io.drained()
      }
    })
}

const filterQuery = (options: { group?: string; model?: string }): URLSearchParams =>
  new URLSearchParams(Object.entries(options).filter(([name]) => name === 'group' || name === 'model'))

export function unitCommands(program: Command, run: Run): void {
  const unit = program.command('unit').description('cameras')
  listCommands(unit, run)
  unit
    .command('list')
    .description('all units')
    .option('--group <GROUP>', 'of this group')
    .option('--model <MODEL>', 'of this model')
    .action(async (options: { group?: string; model?: string }) => {
      const items = await run.api().all<UnitRow>(`/units?${filterQuery(options)}`)
      show(run, items, () =>
        table([
          ['id', 'IMEI or serial', 'model', 'version', 'open task', 'groups'],
          ...items.map((row) => [
            row.id,
            row.imei ?? row.serial ?? '',
            row.model,
            row.version ?? '?',
            row.openTask ?? '-',
            row.groups.join(' '),
          ]),
        ]),
      )
    })
  unit
    .command('show <UNIT>')
    .description('one unit, by our id, IMEI or serial number')
    .action(async (name: string) => {
      const found = await run.api().get<UnitRow>(`/units/${encodeURIComponent(name)}`)
      show(run, found, () => lines(found))
    })
  unit
    .command('history <UNIT>')
    .description('what happened to it, oldest first: log entries and downloads, the newest thousand')
    .action(async (name: string) => {
      const { items } = await run.api().get<{ items: HistoryRow[] }>(`/units/${encodeURIComponent(name)}/timeline`)
      show(run, items, () => historyLines(items))
    })
  unit
    .command('set <UNIT>')
    .description('change a unit, or add it: a name of 15 digits is taken as IMEI, another one as serial number')
    .option('--model <MODEL>', 'needed for a new unit')
    .option('--imei <IMEI>', '15 digits, the last one checked')
    .option('--serial <SERIAL>', 'where it has no IMEI, or beside it')
    .option('--phone <NUMBER>', 'E.164, with the plus')
    .option('--iccid <ICCID>', 'of its SIM')
    .option('--hardware <TEXT>', 'its hardware revision')
    .option('--groups <NAMES>', 'comma-separated; replaces the groups that it has')
    .option('--time-zone <ZONE>', 'IANA name')
    .option('--notes <TEXT>', 'for people')
    .addOption(new Option('--retired <YES_OR_NO>', 'retired units get no tasks').choices(['yes', 'no']))
    .action(async (name: string, options: SetOptions & { json?: boolean }) => {
      const { json: _json, groups, retired, ...rest } = options
      const body = {
        ...rest,
        ...(groups !== undefined && { groups: listOf(groups) }),
        ...(retired !== undefined && { retired: retired === 'yes' }),
      }
      const saved = await change(name, body)
      show(run, saved, () => lines(saved))
    })

  async function change(name: string, body: Record<string, unknown>): Promise<UnitRow> {
    try {
      return await run.api().send<UnitRow>('PATCH', `/units/${encodeURIComponent(name)}`, body)
    } catch (error) {
      if (!(error instanceof ApiError) || error.problem.code !== 'unit-not-found') throw error
      const identity = /^\d{15}$/.test(name) ? { imei: name } : { serial: name }
      return run.api().send<UnitRow>('POST', '/units', { ...identity, ...body })
    }
  }
}
