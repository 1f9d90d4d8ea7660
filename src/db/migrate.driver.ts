import { type Migration, Migrator } from 'kysely'
import { migrations } from '../../migrations/index.js'
import type { Db } from './db.js'
import { storageFull } from './storage-fault.js'

/** Brings the tables up to date in one transaction; returns what was applied. Nothing is left behind by a failure. */
export async function migrate(db: Db, all: Record<string, Migration> = migrations): Promise<string[]> {
  const migrator = new Migrator({ db, provider: { getMigrations: async () => all } })
  const { error, results } = await migrator.migrateToLatest()
  if (error) {
    throw (
      storageFull('the database', error) ??
      new Error('The database could not be brought up to date; it is as it was.', { cause: error })
    )
  }
  return (results ?? []).map((result) => result.migrationName)
}
