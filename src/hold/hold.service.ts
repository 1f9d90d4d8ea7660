import type { Actor } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import { toRfc3339 } from '../clock.js'
import type { Db, Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import { type BackupOrigin, type HeldNumbers, type Hold, isReviewed } from './hold.js'
import { closeHold, countHeld, findHold, insertHold, moveLinkEnds } from './hold.store.js'

export interface HoldService {
  /** @throws AppError state-refused where the server is on hold already */
  set(work: Work, actor: Actor, input: { reason: string }): Promise<void>
  /** @throws AppError hold-not-reviewed, state-refused */
  release(work: Work, actor: Actor, input: { note: string; acknowledge: HeldNumbers }): Promise<void>
}

export const holdService: HoldService = {
  set: async (work, actor, { reason }) => {
    const open = await findHold(work.db)
    if (open)
      throw new AppError(
        'state-refused',
        `The server is on hold already, since ${toRfc3339(open.setAtMs)}: release that hold first.`,
        {
          since: toRfc3339(open.setAtMs),
        },
      )
    await placeHold(work, actor, { cause: 'person', reason, countsFromMs: work.nowMs, backup: null })
  },

  release: async (work, actor, { note, acknowledge }) => {
    const hold = await findHold(work.db)
    if (!hold) throw new AppError('state-refused', 'The server is not on hold: there is nothing to release.')
    const now = await countHeld(work.db, { nowMs: work.nowMs, sinceMs: hold.countsFromMs })
    if (!isReviewed({ named: acknowledge, now, atStart: hold.numbers })) {
      throw new AppError(
        'hold-not-reviewed',
        `Held are ${now.openTasks} open tasks, ${now.liveLinks} live links and ${now.unsentCommands} commands not marked as sent. Review them, then release with these very numbers in "acknowledge".`,
        { held: now },
      )
    }
    await end(work, hold, { atMs: work.nowMs, by: actor.id, note })
    await appendAudit(work, actor, [
      {
        action: 'hold.released',
        detail: {
          hold: hold.id,
          since: toRfc3339(hold.setAtMs),
          // Deadlines of open tasks lie later by this, the time that a task was issued within it left out.
          deadlinesMovedMs: Math.max(0, work.nowMs - hold.countsFromMs),
          held: now,
        },
        labels: { note },
      },
    ])
  },
}

async function end(work: Work, hold: Hold, how: { atMs: number; by: string; note: string }): Promise<void> {
  const untilMs = Math.max(hold.countsFromMs, how.atMs)
  await moveLinkEnds(work.db, { fromMs: hold.countsFromMs, untilMs })
  await closeHold(work.db, hold.id, how)
}

/** Puts a hold in place, and in that of one that is open: a restored record may have been on hold when it was backed up. */
export async function placeHold(
  work: Work,
  actor: Actor,
  given: { cause: Hold['cause']; reason: string; countsFromMs: number; backup: BackupOrigin | null },
): Promise<void> {
  const before = await findHold(work.db)
  if (before) {
    const atMs = Math.max(before.countsFromMs, given.countsFromMs)
    await end(work, before, { atMs, by: actor.id, note: 'goes on in the next hold' })
  }
  const numbers = await countHeld(work.db, { nowMs: work.nowMs, sinceMs: given.countsFromMs })
  const hold: Hold = { id: newId('h', work.nowMs), setAtMs: work.nowMs, setBy: actor.id, numbers, ...given }
  await insertHold(work.db, hold)
  const { backup } = hold
  await appendAudit(work, actor, [
    {
      action: 'hold.set',
      detail: {
        hold: hold.id,
        cause: hold.cause,
        held: numbers,
        ...(backup && { backupAt: toRfc3339(backup.atMs), backupHead: `${backup.head.seq}:${backup.head.hash}` }),
        ...(before && { inPlaceOf: before.id }),
      },
      labels: { note: hold.reason }, // A person's own words, which may name persons: erasable.
    },
  ])
  work.effects.push({ kind: 'hold-set' })
}

/** Whatever lets something out asks here first. @throws AppError on-hold */
export async function refuseOnHold(work: { db: Db }): Promise<void> {
  const hold = await findHold(work.db)
  if (!hold) return
  throw new AppError('on-hold', `${onHoldSince(hold)} Nothing goes out: see "firmhand hold show", then release it.`, {
    since: toRfc3339(hold.setAtMs),
  })
}

export const onHoldSince = (hold: Pick<Hold, 'setAtMs' | 'reason'>): string =>
  `The server is on hold since ${toRfc3339(hold.setAtMs)}: ${hold.reason.replace(/[.\s]*$/, '')}.`
