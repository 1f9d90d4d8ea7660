// The check of the stored packages as the record keeps it: what runs, how far it is, what it found. Reading the files is
// the worker's; a restart goes on where it was.
import { type Actor, SYSTEM } from '../audit/actor.js'
import { type AuditDraft, appendAudit } from '../audit/audit.store.js'
import { hasBlob, isDamaged, lastCheckMs, noteCheck } from '../blobs/blob.store.js'
import type { BlobFault } from '../blobs/check.driver.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import { requirePackage } from '../packages/package.service.js'
import { listPackagesWithBytes } from '../packages/package.store.js'
import {
  findRunningScrub,
  insertScrub,
  lastWholeScrubMs,
  listLiveLinksOf,
  nextOfScrub,
  type Scrub,
  saveScrub,
  sizeUp,
} from './scrub.store.js'

const DAY_MS = 24 * 60 * 60 * 1000
/** Named in the run and its entry; the packages themselves are all marked. */
const DAMAGED_NAMED_MAX = 100

export interface ScrubService {
  /** @throws AppError scrub-running, package-not-found */
  start(work: Work, actor: Actor, input: { packageId: string | null }): Promise<Scrub>
  /** Begins one by itself where the last one is too long ago. */
  startDue(work: Work): Promise<boolean>
  /** Serving met bytes that are not those that were stored: the file is looked at next. */
  suspect(work: Work, sha256: string): Promise<void>
  /**
   * What the worker found of a file; `scrub` = the run that it belongs to, null = it was only suspected. `seenCheckMs` = when
   * the record said, before the file was read, that it had been looked at last.
   */
  found(
    work: Work,
    input: { scrub: string | null; sha256: string; fault: BlobFault | null; seenCheckMs: number | null },
  ): Promise<void>
}

export function scrubService(deps: { scrubDays: number }): ScrubService {
  return {
    start: async (work, actor, { packageId }) => {
      const running = await findRunningScrub(work.db)
      if (running) {
        throw new AppError('scrub-running', 'A check of the stored packages runs already: wait until it has ended.', {
          scrub: running.id,
        })
      }
      const sha256 = packageId === null ? null : (await requirePackage(work, packageId)).digests.sha256
      return begin(work, { packageId, sha256, startedBy: actor.id })
    },

    startDue: async (work) => {
      if (deps.scrubDays === 0 || (await findRunningScrub(work.db))) return false
      if (work.nowMs - (await lastWholeScrubMs(work.db)) < deps.scrubDays * DAY_MS) return false
      await begin(work, { packageId: null, sha256: null, startedBy: SYSTEM.id })
      return true
    },

    suspect: async (work, sha256) => {
      if (!(await hasBlob(work.db, sha256)) || (await isDamaged(work.db, sha256))) return
      await noteCheck(work.db, sha256, { suspectAtMs: work.nowMs })
    },

    found: async (work, { scrub: scrubId, sha256, fault, seenCheckMs }) => {
      // Whether it is another one, not whether it is later: a clock that was set back would make it later for years.
      if (fault !== null && (await lastCheckMs(work.db, sha256)) !== seenCheckMs) {
        // The good bytes were put in place while the old ones were read: what was found is no word about these.
        await noteCheck(work.db, sha256, { suspectAtMs: work.nowMs })
        return
      }
      await noteFound(work, sha256, fault)
      const running = await findRunningScrub(work.db)
      if (running && running.id === scrubId) await advance(work, running, { sha256, fault })
    },
  }
}

async function begin(
  work: Work,
  given: { packageId: string | null; sha256: string | null; startedBy: string },
): Promise<Scrub> {
  const scrub: Scrub = {
    id: newId('sc', work.nowMs),
    packageId: given.packageId,
    startedAtMs: work.nowMs,
    startedBy: given.startedBy,
    endedAtMs: null,
    afterSha256: '',
    ...(await sizeUp(work.db, given.sha256)),
    checkedFiles: 0,
    checkedBytes: 0,
    damaged: [],
  }
  await insertScrub(work.db, scrub)
  if (scrub.files === 0) await end(work, scrub)
  return scrub
}

async function advance(work: Work, scrub: Scrub, file: { sha256: string; fault: BlobFault | null }): Promise<void> {
  const { bytes } = await sizeUp(work.db, file.sha256)
  scrub.afterSha256 = file.sha256
  scrub.checkedFiles += 1
  scrub.checkedBytes += bytes
  if (file.fault !== null && scrub.damaged.length < DAMAGED_NAMED_MAX) scrub.damaged.push(file.sha256)
  // Files that were stored meanwhile are taken along: the sums follow.
  scrub.files = Math.max(scrub.files, scrub.checkedFiles)
  if (await nextOfScrub(work.db, scrub)) await saveScrub(work.db, scrub)
  else await end(work, scrub)
}

async function end(work: Work, scrub: Scrub): Promise<void> {
  scrub.endedAtMs = work.nowMs
  await saveScrub(work.db, scrub)
  const { files, checkedFiles, checkedBytes, damaged, startedBy } = scrub
  await appendAudit(work, SYSTEM, [
    {
      action: 'package.scrubbed',
      package: scrub.packageId,
      detail: { scrub: scrub.id, startedBy, files, checkedFiles, checkedBytes, damaged },
    },
  ])
}

/** Marks the bytes for all packages that share them; from then on they are not given out. */
async function noteFound(work: Work, sha256: string, fault: BlobFault | null): Promise<void> {
  if (!(await hasBlob(work.db, sha256))) return
  const before = await isDamaged(work.db, sha256)
  await noteCheck(work.db, sha256, {
    checkedAtMs: work.nowMs,
    suspectAtMs: null,
    fault,
    ...(before !== (fault !== null) && { damagedAtMs: fault === null ? null : work.nowMs }),
  })
  if (before === (fault !== null)) return
  const packs = await listPackagesWithBytes(work.db, sha256)
  await appendAudit(
    work,
    SYSTEM,
    packs.map(
      (pack): AuditDraft => ({
        action: fault === null ? 'package.repaired' : 'package.damaged',
        package: pack.id,
        toVersion: pack.version,
        sha256,
        // A file that somebody put back from a copy is found whole by the next check.
        detail: fault === null ? { by: 'check' } : { fault },
      }),
    ),
  )
  if (fault === null) work.effects.push({ kind: 'blob-repaired', sha256 })
  else work.effects.push({ kind: 'blob-damaged', sha256, linkIds: await listLiveLinksOf(work.db, sha256) })
}
