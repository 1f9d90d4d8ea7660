// Writes a judged list: all of it in one transaction, with one entry of the log per unit that is new or changed.
import type { Actor } from '../audit/actor.js'
import { appendAudit, listEntries } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { type Counts, openScratch, type Scratch } from './import-scratch.store.js'
import { changedEntry, createdEntry, newUnit } from './unit.service.js'
import { saveUnits, type Unit } from './unit.store.js'
import { hasOpenTask, resolveRows } from './unit-resolve.service.js'

export interface JudgedList {
  scratchFile: string
  /** The last entry of the log when the rows were compared with the record. */
  seenSeq: number
  /** Good rows are taken although others are refused. */
  partial: boolean
}

export interface UnitImportService {
  store(work: Work, actor: Actor, list: JudgedList): Promise<Counts & { stored: boolean }>
}

/** Rows of one step: as many as one INSERT takes. */
const STEP_ROWS = 500

export const unitImportService: UnitImportService = {
  store: async (work, actor, list) => {
    const scratch = openScratch(list.scratchFile)
    try {
      if (await isStale(work, scratch, list.seenSeq)) {
        await resolveRows(work.db, scratch)
        // Somebody else changed what the list is about: what was good before may be refused now.
        if (scratch.hasRejected() && !list.partial) return { stored: false, ...scratch.counts() }
      }
      await write(work, actor, scratch)
      return { stored: true, ...scratch.counts() }
    } finally {
      scratch.close()
    }
  },
}

async function* steps<T>(scratch: Scratch, action: 'create' | 'change') {
  for (let n = 0; ; ) {
    const rows = scratch.planned(action, n, STEP_ROWS)
    if (rows.length === 0) return
    yield rows as T[]
    n = rows.at(-1)!.n
  }
}

interface ChangeRow {
  before: Unit
  after: Unit
  changed: string[]
}

async function isStale(work: Work, scratch: Scratch, seenSeq: number): Promise<boolean> {
  if ((await listEntries(work.db, { action: 'unit.' }, { afterSeq: seenSeq, limit: 1 })).length > 0) return true
  for await (const rows of steps<ChangeRow>(scratch, 'change')) if (await hasOpenTask(work.db, rows)) return true
  return false
}

async function write(work: Work, actor: Actor, scratch: Scratch): Promise<void> {
  // Changes first: a number that a changed unit gives up may be what a new one takes.
  for await (const rows of steps<ChangeRow>(scratch, 'change')) {
    // What check-ins set is not the list's to write, and saveUnits leaves it alone.
    await saveUnits(
      work.db,
      rows.map(({ after }) => after),
      'changed',
    )
    await appendAudit(
      work,
      actor,
      rows.map(({ after, changed }) => changedEntry(after, changed)),
    )
  }
  for await (const rows of steps<{ after: Unit }>(scratch, 'create')) {
    const units = rows.map(({ after }) => newUnit(after, work.nowMs))
    await saveUnits(work.db, units, 'new')
    await appendAudit(work, actor, units.map(createdEntry))
  }
}
