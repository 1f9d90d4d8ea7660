// Which unit has this phone number or this SIM: asked for every row of a list, and for a SIM that moved.
import type { Kysely } from 'kysely'

export async function up(db: Kysely<unknown>): Promise<void> {
  await db.schema.createIndex('unit_phone').on('unit').column('phone').execute()
  await db.schema.createIndex('unit_iccid').on('unit').column('iccid').execute()
}
