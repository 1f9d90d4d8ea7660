import path from 'node:path'
import type { Command } from 'commander'
import { lockDataFolder } from '../server/data-folder.driver.js'
import { restore } from '../upkeep/restore.driver.js'
import { readHeadArgument } from './audit.command.js'
import { type Run, show } from './command.js'
import { heldLines } from './hold.command.js'
import { configFrom } from './server-config.js'

export function restoreCommand(program: Command, run: Run): void {
  program
    .command('restore <DIR>')
    .description('bring a backup back into an empty data folder, checked, with everything on hold')
    .option('--config <FILE>', 'settings from a JSON file')
    .option('--set <NAME>', 'an older backup, by its name in DIR/sets; default: the newest')
    .option('--head <SEQ:HASH>', 'a head that was kept elsewhere: the log must hold it', readHeadArgument)
    .action(async (dir: string, options: { config?: string; set?: string; head?: { seq: number; hash: string } }) => {
      const config = await configFrom(run, options.config)
      const restored = await restore({
        source: path.resolve(dir),
        set: options.set ?? null,
        dataFolder: config.dataFolder,
        expectedHead: options.head ?? null,
        clock: run.io.clock,
        lock: lockDataFolder,
        tell: (text) => {
          if (run.io.isTerminal) run.io.err(`${text}\n`)
        },
      })
      const { manifest, set, held } = restored
      const { at, server, audit, counts, damaged } = manifest
      const head = `${audit.seq}:${audit.hash}`
      const { dataFolder } = config
      show(run, { dataFolder, set, at, server, head, counts, damaged, onHold: true, held }, () => [
        `restored  ${dataFolder}, as it was at ${at}`,
        `record    ${counts.units} units, ${counts.tasks} tasks, ${counts.checkins} reports, log up to ${head}`,
        ...damaged.map((file) => `MISSING   package file ${file.sha256}: upload it again`),
        'ON HOLD   nothing goes out until an integrator releases it; held are:',
        ...heldLines(held),
        ...(process.getuid?.() === 0 ? [`OWNER     root: chown -R ${dataFolder} to the user of the server first`] : []),
        'Next: start the server; revoke keys that were revoked since the backup (firmhand key list), withdraw what was',
        'withdrawn since, cancel tasks whose text was sent since where it must not be sent again; then firmhand hold show.',
      ])
    })
}
