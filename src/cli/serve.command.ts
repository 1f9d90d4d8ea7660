import { readFile } from 'node:fs/promises'
import type { Command } from 'commander'
import { startApp } from '../app.js'
import { type Config, ConfigError, readConfig, SETTINGS_HELP } from '../config.js'
import { createLogger } from '../logger.js'
import type { Run } from './cli.js'
import { EXIT } from './command.js'

export async function configFrom(run: Run, file: string | undefined): Promise<Config> {
  if (file === undefined) return readConfig(run.io.env)
  let values: unknown
  try {
    values = JSON.parse(await readFile(file, 'utf8'))
  } catch (error) {
    throw new ConfigError([`${file} cannot be read as JSON: ${(error as Error).message}`])
  }
  if (typeof values !== 'object' || values === null || Array.isArray(values)) {
    throw new ConfigError([`${file} must hold one JSON object with the settings as members.`])
  }
  return readConfig(run.io.env, values as Record<string, unknown>)
}

export function serveCommand(program: Command, run: Run): void {
  program
    .command('serve')
    .description('run the server until SIGTERM or SIGINT')
    .option('--config <FILE>', 'settings from a JSON file; the environment wins over it')
    .addHelpText(
      'after',
      `\nSettings:\n${SETTINGS_HELP.map(({ name, meaning }) => `  ${name}  ${meaning}`).join('\n')}`,
    )
    .action(async (options: { config?: string }) => {
      const config = await configFrom(run, options.config)
      const log = createLogger(config.logLevel)
      const app = await startApp(config, log)
      const stop = () => void app.stop()
      process.once('SIGTERM', stop)
      process.once('SIGINT', stop)
      log.info(
        {
          dataFolder: config.dataFolder,
          publicPort: app.publicPort,
          officePort: app.officePort,
          publicUrlSet: config.publicUrl !== null,
          ledger: app.countsAcknowledged && !config.behindProxy ? 'acknowledged' : 'sent',
        },
        'serving',
      )
      if (config.publicUrl === null) log.warn('FIRMHAND_PUBLIC_URL is not set: tasks over the air are refused')
      const failure = await app.stopped
      log.info('stopped')
      if (failure) {
        log.fatal({ err: failure }, 'stopped by a fault')
        run.end(EXIT.failed)
      }
    })
}
