import type { Actor } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import { hasBlob, insertBlob, isDamaged, noteCheck } from '../blobs/blob.store.js'
import type { DiskStore, Received } from '../blobs/disk.driver.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import { findModel } from '../models/model.store.js'
import { servedFileName } from '../models/profile.js'
import { DAMAGED, findingsOf, NEVER_ACCEPTED } from './findings.js'
import {
  findPackage,
  findPackageByVersion,
  insertPackage,
  listPackages,
  listPackagesWithBytes,
  type Package,
  updatePackage,
} from './package.store.js'

export interface NewPackage {
  modelId: string
  version: string
  fileName: string
  received: Received
}

export interface PackageService {
  /** Takes a received file into the store and the record, in one step. The same bytes again give the package that exists. */
  register(work: Work, actor: Actor, input: NewPackage): Promise<{ pack: Package; created: boolean }>
  /** Removes bytes that no row knows, after a register() that failed behind the rename. */
  forget(work: Work, sha256: string): Promise<void>
  change(
    work: Work,
    actor: Actor,
    id: string,
    change: { installsOver?: string[] | null; notes?: string },
  ): Promise<Package>
  release(work: Work, actor: Actor, id: string, accepted: string[]): Promise<Package>
}

export function packageService(deps: { disk: DiskStore }): PackageService {
  return {
    register: async (work, actor, input) => {
      const model = await findModel(work.db, input.modelId)
      if (!model) throw new AppError('model-not-found', `There is no model ${input.modelId}: add its profile first.`)
      const { digests, beginning, temporary } = input.received
      const existing = await findPackageByVersion(work.db, input.modelId, input.version)
      if (existing) {
        if (existing.digests.sha256 === digests.sha256) {
          // What came in is whole for certain, what lies there may not be: it takes its place, whatever is known of that.
          await deps.disk.adopt(temporary, digests.sha256)
          await repair(work, actor, digests.sha256)
          return { pack: await requirePackage(work, existing.id), created: false }
        }
        throw new AppError(
          'version-taken',
          `${input.modelId} ${input.version} exists with other bytes (SHA-256 ${existing.digests.sha256}). Package bytes never change: give the new file a version of its own.`,
          { existing: existing.id },
        )
      }
      servedFileName(model.profile, input)
      const released = await listPackages(work.db, { model: input.modelId, limit: 1000 })
      const pack: Package = {
        id: newId('p', work.nowMs),
        modelId: input.modelId,
        version: input.version,
        fileName: input.fileName,
        sizeBytes: digests.sizeBytes,
        digests: { sha256: digests.sha256, sha1: digests.sha1, md5: digests.md5, crc32: digests.crc32 },
        state: 'draft',
        installsOver: null,
        findings: findingsOf({
          beginning: Buffer.from(beginning),
          sizeBytes: digests.sizeBytes,
          fileName: servedFileName(model.profile, input),
          version: input.version,
          scheme: model.profile.versions.scheme,
          releasedVersions: released.filter((other) => other.state === 'released').map((other) => other.version),
          twins: await listPackagesWithBytes(work.db, digests.sha256),
        }),
        notes: '',
        withdrawnReason: null,
        createdAtMs: work.nowMs,
        createdBy: actor.id,
      }
      await deps.disk.adopt(temporary, digests.sha256)
      await insertBlob(work.db, { ...digests, blocks: Buffer.from(digests.blocks) }, work.nowMs)
      await repair(work, actor, digests.sha256)
      await insertPackage(work.db, pack)
      await appendAudit(work, actor, [
        {
          action: 'package.added',
          package: pack.id,
          toVersion: pack.version,
          sha256: digests.sha256,
          detail: { model: pack.modelId, fileName: pack.fileName, sizeBytes: pack.sizeBytes },
        },
      ])
      return { pack, created: true }
    },

    forget: async (work, sha256) => {
      if (!(await hasBlob(work.db, sha256))) await deps.disk.remove(sha256)
    },

    change: async (work, actor, id, change) => {
      const pack = await requirePackage(work, id)
      requireDraft(pack, 'changed')
      if (Object.keys(change).length === 0) return pack
      await updatePackage(work.db, id, change)
      await appendAudit(work, actor, [
        {
          action: 'package.changed',
          package: id,
          toVersion: pack.version,
          sha256: pack.digests.sha256,
          detail: {
            ...(change.installsOver !== undefined && { installsOver: change.installsOver }),
            changed: Object.keys(change).sort(),
          },
          ...(change.notes !== undefined && { labels: { notes: change.notes } }),
        },
      ])
      return requirePackage(work, id)
    },

    release: async (work, actor, id, accepted) => {
      const pack = await requirePackage(work, id)
      if (pack.state === 'released') return pack
      requireDraft(pack, 'released')
      const open = pack.findings.filter(
        (finding) =>
          finding.level === 'error' && (!accepted.includes(finding.code) || NEVER_ACCEPTED.includes(finding.code)),
      )
      if (open.length > 0) {
        throw new AppError('findings-open', `${open.map((finding) => finding.text).join(' ')} Upload the right file.`, {
          findings: open,
        })
      }
      await updatePackage(work.db, id, { state: 'released' })
      await appendAudit(work, actor, [
        {
          action: 'package.released',
          package: id,
          toVersion: pack.version,
          sha256: pack.digests.sha256,
          detail: { accepted },
        },
      ])
      return requirePackage(work, id)
    },
  }
}

export async function requirePackage(work: Pick<Work, 'db'>, id: string): Promise<Package> {
  const pack = await findPackage(work.db, id)
  if (!pack)
    throw new AppError('package-not-found', `There is no package ${id}: list the packages; the id is not the version.`)
  return pack
}

/** The good bytes were put in place. Packages that share them are whole again together. */
async function repair(work: Work, actor: Actor, sha256: string): Promise<void> {
  work.effects.push({ kind: 'blob-repaired', sha256 })
  const wasDamaged = await isDamaged(work.db, sha256)
  await noteCheck(work.db, sha256, { checkedAtMs: work.nowMs, suspectAtMs: null, damagedAtMs: null, fault: null })
  if (!wasDamaged) return
  const packs = await listPackagesWithBytes(work.db, sha256)
  await appendAudit(
    work,
    actor,
    packs.map((pack) => ({
      action: 'package.repaired',
      package: pack.id,
      toVersion: pack.version,
      sha256,
      detail: { by: 'upload' },
    })),
  )
}

/** @throws AppError package-damaged */
export function refuseDamaged(pack: Package): void {
  if (pack.findings.some(({ code }) => code === DAMAGED.code)) throw new AppError('package-damaged', DAMAGED.text)
}

function requireDraft(pack: Package, verb: string): void {
  if (pack.state !== 'draft') {
    throw new AppError('state-refused', `The package is ${pack.state}; only a draft can be ${verb}.`, {
      state: pack.state,
    })
  }
}
