// What is not kept for ever: single tries, old reports, personal data in the log. Off unless a setting says otherwise. Runs
// on the writer's clock in slices, so that nobody waits for it, and is logged in sum when a pass has come to its end.
import { type Actor, SYSTEM } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { requireUnit } from '../units/unit.service.js'
import {
  eraseCheckins,
  eraseLabels,
  eraseTries,
  eraseUnitLabels,
  readProgress,
  saveProgress,
} from './retention.store.js'

/** Days after which each kind is erased; 0 = never. */
export interface Keep {
  triesDays: number
  checkinsDays: number
  labelsDays: number
}

export const KEEP_ALL: Keep = { triesDays: 0, checkinsDays: 0, labelsDays: 0 }

const DAY_MS = 24 * 60 * 60 * 1000
/** Rows looked at in one slice, once a second: some milliseconds of the writing thread. */
const SLICE_ROWS = 1000
/** Between two passes. */
const PASS_MS = 60 * 60 * 1000
/** Reports of each unit that stay whatever their age: enough to find one that no other contradicts. */
export const NEWEST_KEPT = 10

export interface RetentionService {
  /** One slice where a pass is due or under way; true = there is more to do at once. */
  slice(work: Work): Promise<boolean>
  /** Erases the personal data that the log holds of one unit. */
  eraseUnit(work: Work, actor: Actor, name: string): Promise<{ unit: string; entries: number }>
}

export function retentionService(keep: Keep): RetentionService {
  const isOff = keep.triesDays === 0 && keep.checkinsDays === 0 && keep.labelsDays === 0
  /** Where the pass is; null = between two. In memory: a restart begins it anew and finds what is left. */
  let at: { tries: string | null; checkins: string | null; labels: boolean } | null = null
  let nextPassMs = 0

  return {
    slice: async (work) => {
      if (isOff || (at === null && work.nowMs < nextPassMs)) return false
      at ??= {
        tries: keep.triesDays > 0 ? '' : null,
        checkins: keep.checkinsDays > 0 ? '' : null,
        labels: keep.labelsDays > 0,
      }
      const progress = await readProgress(work.db)
      const before = JSON.stringify(progress)
      const ofDays = (days: number) => ({ beforeMs: work.nowMs - days * DAY_MS, rowsMax: SLICE_ROWS })
      const place = { ...at }
      if (place.tries !== null) {
        const done = await eraseTries(work.db, { after: place.tries, ...ofDays(keep.triesDays) })
        place.tries = done.after
        progress.erased.tries += done.erased
      }
      if (place.checkins !== null) {
        const from = { after: place.checkins, newestKept: NEWEST_KEPT, ...ofDays(keep.checkinsDays) }
        const done = await eraseCheckins(work.db, from)
        place.checkins = done.after
        progress.erased.checkins += done.erased
      }
      if (place.labels) {
        const done = await eraseLabels(work.db, { afterSeq: progress.labelsAfterSeq, ...ofDays(keep.labelsDays) })
        place.labels = done.more
        progress.labelsAfterSeq = done.afterSeq
        progress.erased.labels += done.erased
      }
      const more = place.tries !== null || place.checkins !== null || place.labels
      const { tries, checkins, labels } = progress.erased
      if (!more && tries + checkins + labels > 0) {
        await appendAudit(work, SYSTEM, [
          { action: 'retention.erased', detail: { tries, checkins, labels, keep: { ...keep } } },
        ])
        progress.erased = { tries: 0, checkins: 0, labels: 0 }
      }
      if (JSON.stringify(progress) !== before) await saveProgress(work.db, progress)
      at = more ? place : null
      if (!more) nextPassMs = work.nowMs + PASS_MS
      return more
    },

    eraseUnit: async (work, actor, name) => {
      const unit = await requireUnit(work, name)
      const entries = await eraseUnitLabels(work.db, unit.id)
      await appendAudit(work, actor, [{ action: 'labels.erased', unit: unit.id, detail: { entries } }])
      return { unit: unit.id, entries }
    },
  }
}
