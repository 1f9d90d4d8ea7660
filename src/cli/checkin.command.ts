import { type Command, Option } from 'commander'
import { OFFICE_SOURCES } from '../checkins/checkin.js'
import { ITEM_GUIDE } from '../checkins/item-guide.js'
import { type Result, sendCheckinList } from './checkin-list.js'
import { EXIT, type Run, show } from './command.js'
import { findingLines } from './unit-list.js'

export function checkinCommands(program: Command, run: Run): void {
  const checkin = program.command('checkin').description('versions that units report')
  importCommand(checkin, run)
  checkin
    .command('add <UNIT>')
    .description('record one report')
    .requiredOption('--version <VERSION>', 'as the unit said it')
    .option(
      '--observed-at <TIME>',
      'when the unit was seen to say it, as 2026-05-01T12:00:00Z; without it the report counts from now and cannot confirm',
    )
    .addOption(
      new Option('--source <SOURCE>', 'by what route it was learnt').choices(OFFICE_SOURCES).default('operator'),
    )
    .option('--digest <HEX>', 'what the unit says of its file: SHA-256, SHA-1, MD5 or CRC-32')
    .option('--note <TEXT>', 'for the record')
    .action(
      async (
        unit: string,
        options: { version: string; observedAt?: string; source: string; digest?: string; note?: string },
      ) => {
        const { source, version, observedAt, digest, note } = options
        const answer = await run
          .api()
          .send<{ results: Result[] }>('POST', `/check-ins?source=${encodeURIComponent(source)}`, {
            unit,
            version,
            observedAt,
            digest,
            note,
          })
        const result = answer.results[0]!
        if (!result.accepted) run.end(EXIT.failed)
        show(run, result, () => [
          result.accepted
            ? `${result.unit}: ${result.duplicate ? 'known already' : 'recorded'}${result.task ? `, task ${result.task} is ${result.state}` : ''}`
            : `${result.unit}: not accepted, ${refusalOf(result)}`,
        ])
      },
    )
}

/** The code and what it means, in the words of the documents but for their marks. */
function refusalOf({ code }: Result): string {
  const guide = Object.entries(ITEM_GUIDE).find(([name]) => name === code)?.[1]
  return guide ? `${code}: ${`${guide.when} ${guide.remedy}`.replaceAll('`', '"')}` : String(code)
}

function importCommand(checkin: Command, run: Run): void {
  checkin
    .command('import <FILE>')
    .description('record the reports of a list, as spreadsheets save it: columns unit, version, observedAt')
    .addOption(
      new Option('--source <SOURCE>', 'by what route they were learnt').choices(OFFICE_SOURCES).default('spreadsheet'),
    )
    .action(async (file: string, options: { source: string }) => {
      const api = run.api()
      const report = await sendCheckinList(
        file,
        async (items) =>
          (
            await api.send<{ results: Result[] }>(
              'POST',
              `/check-ins?source=${encodeURIComponent(options.source)}`,
              items,
            )
          ).results,
        (read) => {
          if (run.io.isTerminal) run.io.err(`\r${read} rows sent`)
        },
      )
      if (run.io.isTerminal) run.io.err('\n')
      if (report.rejectedRows > 0) run.end(EXIT.failed)
      show(run, report, () => [
        `${report.read} rows: ${report.accepted} recorded, ${report.duplicates} of them known already, ${report.rejectedRows} refused`,
        ...findingLines('refused', report.rejected),
        ...findingLines('caution', report.cautions),
      ])
    })
}
