import type { Command } from 'commander'
import { type Run, show } from './command.js'

export function labelCommands(program: Command, run: Run): void {
  const labels = program.command('labels').description('personal data in the log')
  labels
    .command('erase <UNIT>')
    .description('erase it from all entries about one unit, for good; the log still verifies')
    .action(async (unit: string) => {
      const erased = await run.api().send<{ unit: string; entries: number }>('POST', '/labels/erase', { unit })
      show(run, erased, () => [`unit ${erased.unit}: labels of ${erased.entries} entries erased`])
    })
}
