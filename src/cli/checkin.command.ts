import type { Command } from 'commander'
import type { Run } from './cli.js'
import { EXIT, show } from './command.js'

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
    .option('--source <SOURCE>', 'operator, bench or spreadsheet', 'operator')
    .option('--digest <HEX>', 'what the unit says of its file')
    .option('--note <TEXT>')
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
        show({ io: run.io, json: run.json() }, result, () => [
          result.accepted
            ? `${result.unit}: ${result.duplicate ? 'known already' : 'recorded'}${result.task ? `, task ${result.task} is ${result.state}` : ''}`
            : `${result.unit}: not accepted, ${result.code}`,
        ])
      },
    )
}
