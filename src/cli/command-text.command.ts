import type { Command } from 'commander'
import type { TaskView } from '../tasks/task-view.js'
import { ApiError } from './api-client.js'
import { type Run, show } from './command.js'
import { taskLines } from './task-lines.js'

export function commandCommands(program: Command, run: Run): void {
  const command = program.command('command').description('texts that tell units to download')
  const at = (id: string, verb = '') => `/tasks/${encodeURIComponent(id)}${verb}`
  command
    .command('show <TASK>')
    .description('the text to send, alone on stdout; its length and the cautions on stderr')
    .action(async (id: string) => {
      const { command: text, method } = await run.api().get<TaskView>(at(id))
      if (!text) {
        throw new ApiError({
          type: '/problems/no-command',
          title: 'There is no command',
          code: 'no-command',
          detail: `Task ${id} is done by ${method}: there is no command to send. Its sheet: firmhand task sheet ${id}.`,
        })
      }
      if (text.onHold) {
        throw new ApiError({
          type: '/problems/on-hold',
          title: 'The server is on hold',
          code: 'on-hold',
          detail:
            'The server is on hold and gives no command out, so that none is sent twice: see "firmhand hold show".',
        })
      }
      run.io.err(
        `${text.segments} message${text.segments === 1 ? '' : 's'}, length ${text.units} in ${text.encoding}\n`,
      )
      for (const caution of text.cautions) run.io.err(`caution: ${caution.text}\n`)
      // To the letter: it is what gets sent.
      if (run.json()) show(run, text, () => [])
      else run.io.out(`${text.text}\n`)
    })
  command
    .command('sent <TASK>')
    .description('record that you have sent the text by hand')
    .action(async (id: string) => {
      const sent = await run.api().send<TaskView>('POST', at(id, '/dispatch'), { channel: 'hand' })
      show(run, sent, () => taskLines(sent))
    })
}
