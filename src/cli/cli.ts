// Reads the command line, runs one command, and turns whatever happens into an exit code and one clear sentence.
import { Command, CommanderError } from 'commander'
import { ConfigError, readClientConfig } from '../config.js'
import { AppError } from '../errors.js'
import { problemOf } from '../http/problem.js'
import { ApiError, apiClient } from './api-client.js'
import { auditCommands } from './audit.command.js'
import { checkinCommands } from './checkin.command.js'
import { type CommandIo, EXIT, type ExitCode } from './command.js'
import { demoCommand } from './demo.command.js'
import { initCommand } from './init.command.js'
import { keyCommands } from './key.command.js'
import { modelCommands } from './model.command.js'
import { packageCommands } from './package.command.js'
import { serveCommand } from './serve.command.js'
import { taskCommands } from './task.command.js'
import { unitCommands } from './unit.command.js'

export interface Run {
  io: CommandIo
  /** The API with the settings of this shell; made when it is needed. */
  api: () => ReturnType<typeof apiClient>
  json: () => boolean
  /** A command says how it ended; without a word it is 0. */
  end: (code: ExitCode) => void
}

export async function runCli(args: string[], io: CommandIo): Promise<ExitCode> {
  let exit: ExitCode = EXIT.ok
  const program = new Command('firmhand')
    .description('Distribution server for the firmware of vehicle cameras.')
    .option('--json', 'exactly one JSON value on stdout')
    .showHelpAfterError('(add --help for the usage)')
    .exitOverride()
    .configureOutput({ writeOut: io.out, writeErr: io.err })
  const json = () => args.includes('--json')
  const run: Run = {
    io,
    json,
    api: () => apiClient(readClientConfig(io.env)),
    end: (code) => {
      exit = code
    },
  }
  for (const add of [
    serveCommand,
    initCommand,
    demoCommand,
    keyCommands,
    modelCommands,
    packageCommands,
    unitCommands,
    taskCommands,
    checkinCommands,
    auditCommands,
  ]) {
    add(program, run)
  }
  for (const command of everyCommand(program)) {
    command.exitOverride().configureOutput({ writeOut: io.out, writeErr: io.err })
    if (command !== program) command.option('--json', 'exactly one JSON value on stdout')
  }

  try {
    await program.parseAsync(args, { from: 'user' })
    return exit
  } catch (error) {
    return report(error, { io, json: json() })
  }
}

function everyCommand(command: Command): Command[] {
  return [command, ...command.commands.flatMap(everyCommand)]
}

/** Every failure: a sentence for people on stderr, and with --json the problem as the one value on stdout. */
function report(error: unknown, given: { io: CommandIo; json: boolean }): ExitCode {
  const { io, json } = given
  if (error instanceof CommanderError) {
    if (error.exitCode === 0) return EXIT.ok
    if (json) io.out(`${JSON.stringify({ error: { code: 'usage', detail: error.message } })}\n`)
    return EXIT.usage
  }
  const problem =
    error instanceof ApiError
      ? error.problem
      : error instanceof AppError
        ? problemOf(error, 'cli')
        : { code: error instanceof ConfigError ? 'settings-wrong' : 'failed', detail: (error as Error).message }
  if (json) io.out(`${JSON.stringify({ error: problem })}\n`)
  io.err(`firmhand: ${problem.detail}\n`)
  const more = problem as {
    errors?: { pointer: string; detail: string }[]
    skipped?: { unit: string; detail: string }[]
  }
  for (const fault of more.errors ?? []) io.err(`  ${fault.pointer}: ${fault.detail}\n`)
  for (const skip of more.skipped ?? []) io.err(`  ${skip.unit}: ${skip.detail}\n`)
  return error instanceof ConfigError ? EXIT.usage : EXIT.failed
}
