// What the record knows of the server itself: its id, and the settings that it ran with last.
import { SYSTEM } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { newId } from '../ids.js'

/** Settings that change what links, deadlines and claims mean; none of them is secret. */
export interface NotedSettings {
  publicUrl: string | null
  behindProxy: boolean
  taskDeadlineHours: number
}

/** The server's id, made at the first look. */
export async function serverIdOf(work: Work): Promise<string> {
  const row = await work.db.selectFrom('server').select('id').executeTakeFirst()
  if (row) return row.id
  const id = newId('srv', work.nowMs)
  await work.db.insertInto('server').values({ id, created_at_ms: work.nowMs, settings: null }).execute()
  return id
}

/** Logs settings that are not those of the last start: who reads the log sees when claims began to mean less, or more. */
export async function noteSettings(work: Work, settings: NotedSettings): Promise<void> {
  const { settings: before } = await work.db.selectFrom('server').select('settings').executeTakeFirstOrThrow()
  const now = JSON.stringify(settings)
  if (before === now) return
  await work.db.updateTable('server').set({ settings: now }).execute()
  await appendAudit(work, SYSTEM, [
    { action: 'settings.changed', detail: { before: before === null ? null : JSON.parse(before), now: settings } },
  ])
}
