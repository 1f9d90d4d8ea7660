// Reads the command line, runs one command, and turns whatever happens into an exit code and one clear sentence.
import { Command, CommanderError } from 'commander'
import { apiClient } from './api-client.js'
import { readClientConfig } from './client-config.js'
import { type CommandIo, EXIT, type ExitCode, type Run } from './command.js'
import { failureOf } from './failure.js'
import { printable } from './printable.js'

type AddCommand = (program: Command, run: Run) => void

/**
 * The commands by name, in the order of the help. One is loaded when it is asked for: whoever asks a running server
 * does not wait until the server, its database and its web framework have been read.
 */
const COMMANDS: Record<string, () => Promise<AddCommand>> = {
  serve: async () => (await import('./serve.command.js')).serveCommand,
  init: async () => (await import('./init.command.js')).initCommand,
  demo: async () => (await import('./demo.command.js')).demoCommand,
  doctor: async () => (await import('./doctor.command.js')).doctorCommand,
  key: async () => (await import('./key.command.js')).keyCommands,
  model: async () => (await import('./model.command.js')).modelCommands,
  package: async () => (await import('./package.command.js')).packageCommands,
  unit: async () => (await import('./unit.command.js')).unitCommands,
  task: async () => (await import('./task.command.js')).taskCommands,
  link: async () => (await import('./link.command.js')).linkCommands,
  command: async () => (await import('./command-text.command.js')).commandCommands,
  checkin: async () => (await import('./checkin.command.js')).checkinCommands,
  audit: async () => (await import('./audit.command.js')).auditCommands,
  labels: async () => (await import('./labels.command.js')).labelCommands,
  backup: async () => (await import('./backup.command.js')).backupCommand,
  restore: async () => (await import('./restore.command.js')).restoreCommand,
  hold: async () => (await import('./hold.command.js')).holdCommands,
  scrub: async () => (await import('./scrub.command.js')).scrubCommand,
}

/** The one that is named; all of them for the help of the whole, and where a command that does not exist is named. */
function commandsFor(args: readonly string[]): Promise<AddCommand[]> {
  const name = args.find((arg) => !arg.startsWith('-')) ?? ''
  const one = Object.hasOwn(COMMANDS, name) ? [COMMANDS[name]!] : Object.values(COMMANDS)
  return Promise.all(one.map((load) => load()))
}

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
  for (const add of await commandsFor(args)) add(program, run)
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
