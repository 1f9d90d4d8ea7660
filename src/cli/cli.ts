// Reads the command line, runs one command, and turns whatever happens into an exit code and one clear sentence.
import { Command, CommanderError } from 'commander'
import { readClientConfig } from '../config.js'
import { apiClient } from './api-client.js'
import { auditCommands } from './audit.command.js'
import { backupCommand } from './backup.command.js'
import { checkinCommands } from './checkin.command.js'
import { type CommandIo, EXIT, type ExitCode, type Run } from './command.js'
import { commandCommands } from './command-text.command.js'
import { demoCommand } from './demo.command.js'
import { doctorCommand } from './doctor.command.js'
import { failureOf } from './failure.js'
import { holdCommands } from './hold.command.js'
import { initCommand } from './init.command.js'
import { keyCommands } from './key.command.js'
import { labelCommands } from './labels.command.js'
import { linkCommands } from './link.command.js'
import { modelCommands } from './model.command.js'
import { packageCommands } from './package.command.js'
import { printable } from './printable.js'
import { restoreCommand } from './restore.command.js'
import { scrubCommand } from './scrub.command.js'
import { serveCommand } from './serve.command.js'
import { taskCommands } from './task.command.js'
import { unitCommands } from './unit.command.js'

const JSON_MEANING = 'exactly one JSON value on stdout; text for people goes to stderr'

const MORE_HELP = `
serve, init, demo, doctor, backup and restore work on a data folder, audit verify and model check on a file alone.
The others ask a running server:
  FIRMHAND_URL   its office address, default http://127.0.0.1:8081
  FIRMHAND_KEY   a key, as printed by "firmhand init" or "firmhand key add"

Exit code: 0 done, 1 failed, refused or not all done, 2 wrong usage or wrong settings.
"firmhand COMMAND --help" tells more of each, "firmhand serve --help" lists the settings.`

export async function runCli(args: string[], given: CommandIo): Promise<ExitCode> {
  // Progress of our own begins with a carriage return; nothing that came from elsewhere is put out so.
  const io: CommandIo = { ...given, err: (text) => given.err(text.startsWith('\r') ? text : printable(text)) }
  let exit: ExitCode = EXIT.ok
  const json = args.includes('--json')
  let help = ''
  const program = new Command('firmhand')
    .description('Distribution server for the firmware of vehicle cameras.')
    .exitOverride()
    .showHelpAfterError('(add --help for the usage)')
    .configureHelp({ subcommandTerm: termOf })
    .configureOutput({
      writeOut: (text) => {
        help += text
      },
      writeErr: io.err,
      outputError: (text, write) => write(text.replace(/^error: /, 'firmhand: ')),
    })
    .addHelpText('after', MORE_HELP)
  const run: Run = {
    io,
    json: () => json,
    api: () => apiClient(readClientConfig(io.env)),
    end: (code) => {
      exit = code
    },
  }
  for (const add of [
    serveCommand,
    initCommand,
    demoCommand,
    doctorCommand,
    keyCommands,
    modelCommands,
    packageCommands,
    unitCommands,
    taskCommands,
    linkCommands,
    commandCommands,
    checkinCommands,
    auditCommands,
    labelCommands,
    backupCommand,
    restoreCommand,
    holdCommands,
    scrubCommand,
  ]) {
    add(program, run)
  }
  for (const command of everyCommand(program)) command.option('--json', JSON_MEANING)

  try {
    await program.parseAsync(args, { from: 'user' })
    return exit
  } catch (error) {
    if (error instanceof CommanderError && error.exitCode === 0) {
      io.out(json ? `${JSON.stringify({ help })}\n` : help)
      return EXIT.ok
    }
    const failure = failureOf(error)
    if (json) io.out(`${JSON.stringify({ error: failure.problem })}\n`)
    for (const line of failure.lines) io.err(`${line}\n`)
    return failure.exit
  }
}

function everyCommand(command: Command): Command[] {
  return [command, ...command.commands.flatMap(everyCommand)]
}

/** In a list of commands: a group with its verbs, or a command with its arguments. */
function termOf(command: Command): string {
  const verbs = command.commands.map((verb) => verb.name()).join('|')
  const args = command.registeredArguments.map((argument) => {
    const name = `${argument.name()}${argument.variadic ? '...' : ''}`
    return argument.required ? `<${name}>` : `[${name}]`
  })
  return [command.name(), ...(verbs === '' ? [] : [verbs]), ...args].join(' ')
}
