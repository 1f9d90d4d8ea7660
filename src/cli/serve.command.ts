import type { Command } from 'commander'
import { countKeys } from '../access/key.store.js'
import { type App, startApp } from '../app.js'
import { toRfc3339 } from '../clock.js'
import { type Config, SETTINGS_HELP } from '../config.js'
import { openSqlite } from '../db/sqlite.driver.js'
import type { Hold } from '../hold/hold.js'
import { findHold } from '../hold/hold.store.js'
import { createLogger, type Logger } from '../logger.js'
import { openDataFolder } from '../server/data-folder.driver.js'
import { EXIT, type Run } from './command.js'
import { configFrom, urlOf } from './server-config.js'

/** One Ctrl-C arrives twice where npm and the terminal both hand it on; a person's second one takes longer. */
const DOUBLED_SIGNAL_MS = 1000

const settingsHelp = (): string =>
  [
    '',
    'Settings, from the environment or the file:',
    ...SETTINGS_HELP.flatMap(({ name, fallback, meaning }) => [
      `  ${name}${fallback === '' ? '' : ` (${fallback})`}`,
      `      ${meaning}`,
    ]),
  ].join('\n')

async function announce(run: Run, given: { config: Config; app: App; log: Logger }): Promise<void> {
  const { config, app, log } = given
  const publicAddress = urlOf({ ...config.publicListen, port: app.publicPort })
  const officeUrl = urlOf({ ...config.officeListen, port: app.officePort })
  const grade = app.countsAcknowledged && !config.behindProxy ? 'acknowledged' : 'sent'
  const { dataFolder, publicUrl } = config
  log.info({ dataFolder, publicAddress, officeAddress: officeUrl, publicUrlSet: publicUrl !== null, grade }, 'serving')
  const { hasKey, hold } = await stateOf(config)
  if (hold) log.warn({ since: toRfc3339(hold.setAtMs) }, 'on hold, nothing goes out: see "firmhand hold show"')
  if (!hasKey) log.warn('there is no key yet: run "firmhand init" on this data folder')
  if (publicUrl === null) log.warn('FIRMHAND_PUBLIC_URL is not set: tasks over the air are refused')
  if (run.json()) run.io.out(`${JSON.stringify({ dataFolder, publicUrl, publicAddress, officeUrl })}\n`)
  if (!run.io.isTerminal) return
  run.io.err(
    [
      '',
      `  cameras and platforms   ${publicAddress}`,
      `  links begin with        ${publicUrl ?? 'not set yet: FIRMHAND_PUBLIC_URL'}`,
      `  API and its reference   ${officeUrl}/reference`,
      `  data folder             ${dataFolder}`,
      ...(hold ? ['  ON HOLD                 nothing goes out: npx firmhand hold show'] : []),
      ...(hasKey ? [] : ['  first key               npx firmhand init']),
      '  Stop with Ctrl-C.',
      '',
      '',
    ].join('\n'),
  )
}

async function stateOf(config: Config): Promise<{ hasKey: boolean; hold: Hold | null }> {
  const db = openSqlite(openDataFolder(config.dataFolder).databaseFile, 'read')
  try {
    return { hasKey: (await countKeys(db)) > 0, hold: await findHold(db) }
  } finally {
    await db.destroy()
  }
}

export function serveCommand(program: Command, run: Run): void {
  program
    .command('serve')
    .description('run the server until SIGTERM or SIGINT; a second one ends the wait for downloads')
    .option('--config <FILE>', 'settings from a JSON file; the environment wins over it')
    .addHelpText('after', settingsHelp)
    .action(async (options: { config?: string }) => {
      const config = await configFrom(run, options.config)
      // With --json the one value has stdout for itself.
      const log = createLogger(config.logLevel, run.json() ? { write: run.io.err } : undefined)
      let app: App | null = null
      let stopAskedMs: number | null = null
      const stop = () => {
        // A second signal ends the wait for running downloads.
        const again = stopAskedMs !== null
        if (again && performance.now() - stopAskedMs! < DOUBLED_SIGNAL_MS) return
        stopAskedMs ??= performance.now()
        void app?.stop({ now: again })
      }
      process.on('SIGTERM', stop)
      process.on('SIGINT', stop)
      try {
        app = await startApp(config, log)
        await announce(run, { config, app, log })
        if (stopAskedMs !== null) await app.stop()
        const failure = await app.stopped
        log.info('stopped')
        if (failure) {
          log.fatal({ err: failure }, 'stopped by a fault')
          run.end(EXIT.failed)
        }
      } finally {
        process.off('SIGTERM', stop)
        process.off('SIGINT', stop)
      }
    })
}
