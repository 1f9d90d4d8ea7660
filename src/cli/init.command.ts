import type { Command } from 'commander'
import { makeIntegratorKey } from '../server/first-key.js'
import type { Run } from './command.js'

import { configFrom, urlOf } from './server-config.js'

export function initCommand(program: Command, run: Run): void {
  program
    .command('init')
    .description('prepare the data folder and print the first key, once')
    .option('--config <FILE>', 'settings from a JSON file')
    .option('--new-key', 'add one more integrator key to a folder that is initialised')
    .action(async (options: { config?: string; newKey?: boolean }) => {
      const config = await configFrom(run, options.config)
      const { key, secret } = await makeIntegratorKey(config, { clock: run.io.clock, oneMore: options.newKey ?? false })
      const officeUrl = urlOf(config.officeListen)
      if (run.json()) {
        const { dataFolder, publicUrl } = config
        const shown = { id: key.id, name: key.name, role: key.role, secret }
        run.io.out(`${JSON.stringify({ dataFolder, publicUrl, officeUrl, key: shown })}\n`)
        return
      }
      run.io.out(`data folder: ${config.dataFolder}\n`)
      run.io.out(`public address: ${config.publicUrl ?? 'not set (FIRMHAND_PUBLIC_URL)'}\n`)
      run.io.out(`office address: ${officeUrl}\n`)
      run.io.out(`key "${key.name}", role ${key.role}, shown this once; keep it as FIRMHAND_KEY:\n`)
      run.io.out(`${secret}\n`)
    })
}
