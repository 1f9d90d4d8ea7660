import { setTimeout as wait } from 'node:timers/promises'
import type { Command } from 'commander'
import { EXIT, type Run, show } from './command.js'

interface ScrubView {
  id: string
  endedAt: string | null
  files: number
  bytes: number
  checkedFiles: number
  checkedBytes: number
  damaged: string[]
}

const LOOK_MS = 500

export function scrubCommand(program: Command, run: Run): void {
  program
    .command('scrub [PACKAGE]')
    .description('read stored packages back and compare them with their digests; exit 0 if all are whole')
    .option('--no-wait', 'begin it and do not wait for its end')
    .action(async (id: string | undefined, options: { wait: boolean }) => {
      let scrub = await run.api().send<ScrubView>('POST', '/packages/scrub', id === undefined ? {} : { package: id })
      const own = scrub.id
      let told = -1
      while (options.wait && scrub.endedAt === null && scrub.id === own) {
        if (run.io.isTerminal && told !== scrub.checkedFiles) {
          told = scrub.checkedFiles
          run.io.err(`${scrub.checkedFiles} of ${scrub.files} files\n`)
        }
        await wait(LOOK_MS)
        const { scrub: now } = await run.api().get<{ scrub: ScrubView | null }>('/packages/scrub')
        scrub = now ?? scrub
      }
      if (scrub.damaged.length > 0) run.end(EXIT.failed)
      show(run, scrub, () => [
        `${scrub.checkedFiles} of ${scrub.files} files checked, ${scrub.damaged.length} damaged`,
        ...scrub.damaged.map((sha256) => `damaged: ${sha256}; upload the same file again`),
        ...(scrub.endedAt === null ? ['It goes on in the background.'] : []),
      ])
    })
}
