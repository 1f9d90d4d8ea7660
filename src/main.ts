// argv -> command -> exit code.
import { once } from 'node:events'
import { runCli } from './cli/cli.js'
import { printable } from './cli/printable.js'

// Whoever reads the output may stop reading, as `head` does: that is no fault of ours, and nothing is left to be said.
process.stdout.on('error', (error: NodeJS.ErrnoException) => {
  process.exit(error.code === 'EPIPE' ? (process.exitCode ?? 0) : 1)
})

process.exitCode = await runCli(process.argv.slice(2), {
  env: process.env,
  // A file and a pipe get every byte, a terminal only what it shows.
  out: (text) => process.stdout.write(process.stdout.isTTY ? printable(text) : text),
  drained: async () => {
    if (process.stdout.writableNeedDrain) await once(process.stdout, 'drain')
  },
  err: (text) => process.stderr.write(text),
  isTerminal: process.stderr.isTTY === true,
  clock: Date.now,
})
