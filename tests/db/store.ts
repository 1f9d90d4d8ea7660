// A database of its own for each test, in a folder that goes with it.
import { mkdtempSync, rmSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { onTestFinished } from 'vitest'
import type { Db } from '../../src/db/db.js'
import { migrate } from '../../src/db/migrate.driver.js'
import { openSqlite } from '../../src/db/sqlite.driver.js'

export async function freshStore(
  options: { migrated?: boolean } = {},
): Promise<{ db: Db; file: string; folder: string }> {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-db-'))
  const file = path.join(folder, 'firmhand.db')
  const db = openSqlite(file, 'write')
  onTestFinished(async () => {
    await db.destroy()
    rmSync(folder, { recursive: true, force: true })
  })
  if (options.migrated !== false) await migrate(db)
  return { db, file, folder }
}

/** The least rows that a unit and its tasks need. */
export async function insertUnit(db: Db, unitId: string): Promise<void> {
  await db
    .insertInto('model')
    .values({ id: 'm', profile: '{}', created_at_ms: 1, changed_at_ms: 1 })
    .onConflict((conflict) => conflict.doNothing())
    .execute()
  await db
    .insertInto('blob')
    .values({ sha256: 'aa', size_bytes: 1, sha1: '', md5: '', crc32: '', block_digests: '', stored_at_ms: 1 })
    .onConflict((conflict) => conflict.doNothing())
    .execute()
  await db
    .insertInto('package')
    .values({
      id: 'p',
      model_id: 'm',
      version: '2',
      file_name: 'f',
      sha256: 'aa',
      state: 'released',
      installs_over: null,
      findings: '[]',
      notes: '',
      withdrawn_reason: null,
      created_at_ms: 1,
      created_by: 'k',
    })
    .onConflict((conflict) => conflict.doNothing())
    .execute()
  await db
    .insertInto('unit')
    .values({
      id: unitId,
      imei: null,
      serial: unitId,
      model_id: 'm',
      hardware: null,
      phone: null,
      iccid: null,
      time_zone: 'UTC',
      data_allowance_bytes: null,
      notes: '',
      version: null,
      version_observed_at_ms: null,
      retired: 0,
      created_at_ms: 1,
    })
    .execute()
}

export async function insertTask(
  db: Db,
  task: { id: string; unitId: string; state?: string; closedAtMs?: number | null },
): Promise<void> {
  await db
    .insertInto('task')
    .values({
      id: task.id,
      unit_id: task.unitId,
      package_id: 'p',
      method: 'air',
      from_version: null,
      to_version: '2',
      state: task.state ?? 'queued',
      reason: null,
      issued_at_ms: 1,
      issued_by: 'k',
      deadline_ms: 2,
      closed_at_ms: task.closedAtMs ?? null,
      due_at_ms: null,
      supersedes: null,
      superseded_by: null,
      link_id: null,
      terms: '{}',
      moves: '[]',
      flags: '[]',
      afterwards: '[]',
    })
    .execute()
}
