// The first key of a data folder: made on the folder itself, because before it nobody can ask the server for one.
import { countKeys, type Key } from '../access/key.store.js'
import { keySecret } from '../access/secret.js'
import type { Actor } from '../audit/actor.js'
import type { Clock } from '../clock.js'
import type { Config } from '../config.js'
import { AppError } from '../errors.js'
import { openDataFolder } from './data-folder.driver.js'
import { openWriter } from './writer.js'

const BY_CLI: Actor = { id: 'cli', name: 'the command line of the server', role: 'integrator', via: 'cli', once: null }

/** @throws AppError already-initialised where there are keys and no further one was asked for. */
export async function makeIntegratorKey(
  config: Config,
  given: { clock: Clock; oneMore: boolean },
): Promise<{ key: Key; secret: string }> {
  const data = openDataFolder(config.dataFolder)
  const writer = await openWriter({
    data,
    settings: {
      serverSecret: data.serverSecret,
      publicUrl: config.publicUrl,
      behindProxy: config.behindProxy,
      taskDeadlineHours: config.taskDeadlineHours,
    },
    clock: given.clock,
    publish: () => undefined,
    sweep: false,
    onError: () => undefined,
  })
  try {
    // Looked up and made in one transaction: two calls at once make one first key.
    const key = await writer.run(async (work) => {
      const keys = await countKeys(work.db)
      if (keys > 0 && !given.oneMore) {
        throw new AppError(
          'already-initialised',
          `${config.dataFolder} is initialised already and its first key was shown then. If it is lost: firmhand init --new-key.`,
        )
      }
      const name = keys === 0 ? 'first integrator' : `integrator ${keys + 1}`
      return writer.services.access.createKey(work, BY_CLI, { name, role: 'integrator', expiresAtMs: null })
    })
    return { key, secret: keySecret(data.serverSecret, key.id) }
  } finally {
    await writer.close()
  }
}
