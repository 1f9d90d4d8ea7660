import type { Migration } from 'kysely'
import * as start from './0001_start.js'
import * as unitNumbers from './0003_unit_numbers.js'

/** In order, listed by hand. A released migration is frozen: correct it with a new one. */
export const migrations: Record<string, Migration> = {
  '0001_start': start,
  '0003_unit_numbers': unitNumbers,
}
