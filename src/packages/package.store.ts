import type { Selectable } from 'kysely'
import type { Db } from '../db/db.js'
import type { Database } from '../db/schema.js'
import type { Page } from '../http/zod-routes.js'
import { DAMAGED, type Finding } from './findings.js'

export const PACKAGE_STATES = ['draft', 'released', 'withdrawn'] as const
export type PackageState = (typeof PACKAGE_STATES)[number]

export interface Package {
  id: string
  modelId: string
  version: string
  fileName: string
  sizeBytes: number
  digests: { sha256: string; sha1: string; md5: string; crc32: string }
  state: PackageState
  installsOver: string[] | null
  findings: Finding[]
  notes: string
  withdrawnReason: string | null
  createdAtMs: number
  createdBy: string
}

type Row = Selectable<Database['package']> &
  Pick<Selectable<Database['blob']>, 'size_bytes' | 'sha1' | 'md5' | 'crc32'> & {
    damaged_at_ms: number | string | null
  }

function toPackage(row: Row): Package {
  const state = PACKAGE_STATES.find((known) => known === row.state)
  if (!state) throw new Error(`package ${row.id}: unknown state in the database`)
  return {
    id: row.id,
    modelId: row.model_id,
    version: row.version,
    fileName: row.file_name,
    sizeBytes: Number(row.size_bytes),
    digests: { sha256: row.sha256, sha1: row.sha1, md5: row.md5, crc32: row.crc32 },
    state,
    installsOver: row.installs_over === null ? null : (JSON.parse(row.installs_over) as string[]),
    findings: [...(row.damaged_at_ms === null ? [] : [DAMAGED]), ...(JSON.parse(row.findings) as Finding[])],
    notes: row.notes,
    withdrawnReason: row.withdrawn_reason,
    createdAtMs: Number(row.created_at_ms),
    createdBy: row.created_by,
  }
}

const select = (db: Db) =>
  db
    .selectFrom('package')
    .innerJoin('blob', 'blob.sha256', 'package.sha256')
    .leftJoin('blob_check', 'blob_check.sha256', 'package.sha256')
    .selectAll('package')
    .select(['blob.size_bytes', 'blob.sha1', 'blob.md5', 'blob.crc32', 'blob_check.damaged_at_ms'])

export async function findPackage(db: Db, id: string): Promise<Package | null> {
  const row = await select(db).where('package.id', '=', id).executeTakeFirst()
  return row ? toPackage(row) : null
}

export async function findPackageByVersion(db: Db, modelId: string, version: string): Promise<Package | null> {
  const row = await select(db)
    .where('package.model_id', '=', modelId)
    .where('package.version', '=', version)
    .executeTakeFirst()
  return row ? toPackage(row) : null
}

export async function listPackages(db: Db, filter: Page & { model?: string | undefined }): Promise<Package[]> {
  let query = select(db)
    .where('package.id', '>', filter.after ?? '')
    .orderBy('package.id')
    .limit(filter.limit + 1)
  if (filter.model !== undefined) query = query.where('package.model_id', '=', filter.model)
  return (await query.execute()).map(toPackage)
}

export async function listPackagesWithBytes(db: Db, sha256: string): Promise<Package[]> {
  return (await select(db).where('package.sha256', '=', sha256).execute()).map(toPackage)
}

export async function insertPackage(db: Db, pack: Package): Promise<void> {
  await db
    .insertInto('package')
    .values({
      id: pack.id,
      model_id: pack.modelId,
      version: pack.version,
      file_name: pack.fileName,
      sha256: pack.digests.sha256,
      state: pack.state,
      installs_over: pack.installsOver === null ? null : JSON.stringify(pack.installsOver),
      findings: JSON.stringify(pack.findings),
      notes: pack.notes,
      withdrawn_reason: null,
      created_at_ms: pack.createdAtMs,
      created_by: pack.createdBy,
    })
    .execute()
}

export async function updatePackage(
  db: Db,
  id: string,
  change: { state?: PackageState; installsOver?: string[] | null; notes?: string; withdrawnReason?: string },
): Promise<void> {
  await db
    .updateTable('package')
    .set({
      ...(change.state !== undefined && { state: change.state }),
      ...(change.installsOver !== undefined && {
        installs_over: change.installsOver === null ? null : JSON.stringify(change.installsOver),
      }),
      ...(change.notes !== undefined && { notes: change.notes }),
      ...(change.withdrawnReason !== undefined && { withdrawn_reason: change.withdrawnReason }),
    })
    .where('id', '=', id)
    .execute()
}
