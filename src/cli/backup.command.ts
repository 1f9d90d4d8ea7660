import { readFile } from 'node:fs/promises'
import path from 'node:path'
import { type Command, InvalidArgumentError } from 'commander'
import { backup } from '../upkeep/backup.driver.js'
import { EXIT, type Run, show } from './command.js'
import { configFrom } from './server-config.js'

const KEEP = 7
const KEEP_MAX = 10_000

function readCount(text: string): number {
  const count = Number(text)
  if (!/^\d{1,5}$/.test(text) || count < 1 || count > KEEP_MAX)
    throw new InvalidArgumentError(`must be a whole number from 1 to ${KEEP_MAX}`)
  return count
}

export function backupCommand(program: Command, run: Run): void {
  program
    .command('backup <DIR>')
    .description('copy the data folder into DIR, checked; the server goes on running')
    .option('--config <FILE>', 'settings from a JSON file')
    .option('--keep <COUNT>', 'how many backups stay in DIR, this one among them', readCount, KEEP)
    .option('--quick', 'believe package files that are in DIR already by their size, without reading them again')
    .addHelpText(
      'after',
      '\nWhoever reads DIR can make every key and link: its files are for their owner alone. Keep the head that is printed\nin another place than DIR: "firmhand restore --head" checks a backup against it.',
    )
    .action(async (dir: string, options: { config?: string; keep: number; quick?: boolean }) => {
      const config = await configFrom(run, options.config)
      const made = await backup({
        dataFolder: config.dataFolder,
        target: path.resolve(dir),
        settings: { ...(await fileSettings(options.config)), ...settingsOf(run.io.env) },
        keep: options.keep,
        quick: options.quick ?? false,
        clock: run.io.clock,
        tell: (text) => {
          if (run.io.isTerminal) run.io.err(`${text}\n`)
        },
      })
      const { manifest, folder, copiedFiles, copiedBytes, removed } = made
      const { at, audit, counts, damaged } = manifest
      const head = `${audit.seq}:${audit.hash}`
      if (damaged.length > 0) run.end(EXIT.failed)
      show(
        run,
        { folder, at, head, counts, packages: manifest.packages.length, copiedFiles, copiedBytes, removed, damaged },
        () => [
          `backup    ${folder}`,
          `record    ${counts.units} units, ${counts.tasks} tasks, ${counts.checkins} reports, ${counts.auditEntries} log entries`,
          `packages  ${manifest.packages.length} files, ${copiedFiles} of them copied now (${copiedBytes} bytes)`,
          ...damaged.map(
            (file) => `NOT in it  package file ${file.sha256}: it is ${file.fault} in the data folder; upload it again`,
          ),
          `head      ${head}`,
          'Keep the head in another place.',
        ],
      )
    })
}

/** Of this shell; what the command line as a client uses is none of the server's, and its key stays out. */
const settingsOf = (env: Record<string, string | undefined>): Record<string, string> =>
  Object.fromEntries(
    Object.entries(env).filter(
      (pair): pair is [string, string] =>
        pair[0].startsWith('FIRMHAND_') && !['FIRMHAND_URL', 'FIRMHAND_KEY'].includes(pair[0]) && pair[1] !== undefined,
    ),
  )

/** As configFrom() has read them and found them right. */
const fileSettings = async (file: string | undefined): Promise<Record<string, string>> =>
  file === undefined ? {} : (JSON.parse(await readFile(file, 'utf8')) as Record<string, string>)
