import { type Command, Option } from 'commander'
import { OFFICE_SOURCES } from '../checkins/checkin.service.js'

import { EXIT, type Run, show } from './command.js'

interface Result {
  unit: string
  accepted: boolean
  duplicate: boolean
  task: string | null
  state: string | null
  code: string | null
}

export function checkinCommands(program: Command, run: Run): void {
  program
    .command('checkin')
    .description('versions that units report')
    .command('add <UNIT>')
    .description('record one report')
    .requiredOption('--version <VERSION>', 'as the unit said it')
    .option('--observed-at <TIME>', 'RFC 3339; without it the report counts from now and cannot confirm')
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
            : `${result.unit}: not accepted, ${result.code}`,
        ])
      },
    )
}
