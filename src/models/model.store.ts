import type { Db } from '../db/db.js'
import type { Page } from '../http/zod-routes.js'
import { Profile } from './profile.js'

export interface Model {
  id: string
  profile: Profile
  createdAtMs: number
  changedAtMs: number
}

interface Row {
  id: string
  profile: string
  created_at_ms: number | string
  changed_at_ms: number | string
}

const toModel = (row: Row): Model => ({
  id: row.id,
  profile: Profile.parse(JSON.parse(row.profile)),
  createdAtMs: Number(row.created_at_ms),
  changedAtMs: Number(row.changed_at_ms),
})

export async function findModel(db: Db, id: string): Promise<Model | null> {
  const row = await db.selectFrom('model').selectAll().where('id', '=', id).executeTakeFirst()
  return row ? toModel(row) : null
}

export async function listModels(db: Db, page: Page): Promise<Model[]> {
  const rows = await db
    .selectFrom('model')
    .selectAll()
    .where('id', '>', page.after ?? '')
    .orderBy('id')
    .limit(page.limit + 1)
    .execute()
  return rows.map(toModel)
}

export async function saveModel(db: Db, profile: Profile, atMs: number): Promise<void> {
  const text = JSON.stringify(profile)
  await db
    .insertInto('model')
    .values({ id: profile.id, profile: text, created_at_ms: atMs, changed_at_ms: atMs })
    .onConflict((conflict) => conflict.column('id').doUpdateSet({ profile: text, changed_at_ms: atMs }))
    .execute()
}
