// argv -> command -> exit code.
import { runCli } from './cli/cli.js'

process.exitCode = await runCli(process.argv.slice(2), {
  env: process.env,
  out: (text) => process.stdout.write(text),
  err: (text) => process.stderr.write(text),
  isTerminal: process.stderr.isTTY === true,
  clock: Date.now,
})
