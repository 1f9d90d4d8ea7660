import type { Migration } from 'kysely'
import * as start from './0001_start.js'
import * as upkeep from './0002_upkeep.js'
import * as unitNumbers from './0003_unit_numbers.js'
import * as counts from './0006_counts.js'
import * as openTasks from './0007_open_tasks.js'

/** In order, listed by hand. A released migration is frozen: correct it with a new one. */
export const migrations: Record<string, Migration> = {
  '0001_start': start,
  '0002_upkeep': upkeep,
  '0003_unit_numbers': unitNumbers,
  '0006_counts': counts,
  '0007_open_tasks': openTasks,
}
