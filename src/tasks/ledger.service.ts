// Takes the byte server's reports into the record, and lets the tasks of the links move by them.
import { SYSTEM } from '../audit/actor.js'
import type { Db, Work } from '../db/db.js'
import type { LedgerReport } from '../downloads/delivery.js'
import {
  countTries,
  emptyLedger,
  findLedgers,
  findOlderProof,
  hasTry,
  type Ledger,
  saveLedger,
  saveTry,
} from '../downloads/ledger.store.js'
import { bounded, coversWhole, type Span, subtract, union } from '../downloads/span.js'
import { endLinks } from '../links/link.service.js'
import { findLinks, type Link, listLinkTasks } from '../links/link.store.js'
import { findPackage, type Package } from '../packages/package.store.js'
import { insertTaskFacts } from './facts.store.js'
import { settleTasks } from './settle.service.js'
import { findTasks } from './task.store.js'

/** Tries kept per link: a looping or hostile client is counted in bytes, not in rows. */
const TRIES_MAX = 500

export interface LedgerService {
  record(work: Work, reports: LedgerReport[]): Promise<void>
}

export const ledgerService: LedgerService = {
  record: async (work, reports) => {
    const links = await findLinks(
      work.db,
      reports.map((report) => report.linkId),
    )
    const ledgers = await findLedgers(work.db, [...links.keys()])
    for (const report of reports) {
      const link = links.get(report.linkId)
      if (!link) continue
      const before = ledgers.get(link.id) ?? emptyLedger(link.id)
      ledgers.set(link.id, await recordOne(work, { link, report, before }))
    }
  },
}

async function recordOne(work: Work, given: { link: Link; report: LedgerReport; before: Ledger }): Promise<Ledger> {
  const { link, report, before } = given
  const pack = (await findPackage(work.db, link.packageId))!
  const carried = await carriedOver(work.db, given, pack)
  const ledger = merge(before, report, carried)
  const tasks = await listLinkTasks(work.db, link.id)
  const grade = completeGrade(ledger, pack.sizeBytes)
  if (grade !== null && (before.completeGrade === null || (await isProofAtLast(work.db, { tasks, before, grade })))) {
    ledger.completeAtMs = report.lastByteAtMs ?? report.atMs
    ledger.completeGrade = grade
  }
  await saveTries(work.db, link.id, report)
  await saveLedger(work.db, ledger)
  work.effects.push({ kind: 'ledger', linkId: link.id, taskId: tasks[0] ?? null })
  if (report.budgetSpent && before.budgetSpentAtMs === null) await endLinks(work, SYSTEM, [link.id], 'budget-spent')
  if (link.kind === 'copy') {
    if (before.completeAtMs === null && ledger.completeAtMs !== null) await noteCopied(work, tasks, ledger.completeAtMs)
  } else if (movesTasks(before, ledger)) await settleTasks(work, SYSTEM, tasks)
  return ledger
}

/**
 * Whether this proves what was only inferred, for tasks whose profile wants a proof. Elsewhere `fetched` rests on the
 * first completion, with its time and grade: a later proof would date it back, or move it.
 */
async function isProofAtLast(
  db: Db,
  given: { tasks: readonly string[]; before: Ledger; grade: Ledger['completeGrade'] },
): Promise<boolean> {
  if (given.before.completeGrade !== 'inferred' || given.grade !== 'acknowledged') return false
  return (await findTasks(db, given.tasks)).every((task) => !task.terms.inferredAllowed)
}

function merge(before: Ledger, report: LedgerReport, carried: Span[]): Ledger {
  const acknowledged = bounded(union(union(before.acknowledged, report.acknowledged), carried))
  const latest = (a: number | null, b: number | null) => (a === null || (b !== null && b > a) ? b : a)
  return {
    linkId: before.linkId,
    sent: bounded(union(before.sent, report.sent)),
    acknowledged,
    // What is proven since is no longer inferred: the two are never mixed.
    inferred: bounded(subtract(union(before.inferred, report.inferred), acknowledged)),
    sentBytes: before.sentBytes + report.sentBytes,
    duplicateBytes: before.duplicateBytes + report.duplicateBytes,
    firstAskedAtMs: before.firstAskedAtMs ?? report.firstAskedAtMs,
    lastByteAtMs: latest(before.lastByteAtMs, report.lastByteAtMs),
    completeAtMs: before.completeAtMs,
    completeGrade: before.completeGrade,
    budgetSpentAtMs: before.budgetSpentAtMs ?? (report.budgetSpent ? report.atMs : null),
    flags: [
      ...new Set([...before.flags, ...report.flags, ...(carried.length > 0 ? ['carried-over' as const] : [])]),
    ].sort(),
  }
}

function completeGrade(ledger: Ledger, sizeBytes: number): Ledger['completeGrade'] {
  if (ledger.sent.length === 0) return null
  if (coversWhole(ledger.acknowledged, sizeBytes)) return 'acknowledged'
  return coversWhole(union(ledger.acknowledged, ledger.inferred), sizeBytes) ? 'inferred' : null
}

/**
 * A link issued again joins what the unit's older link of the same bytes had proven, if its very first request resumes
 * exactly where that proof ends and goes on to the end of the file: a segment from there may be one of several that a
 * client asks for side by side, and says nothing of what it holds.
 */
async function carriedOver(
  db: Db,
  given: { link: Link; report: LedgerReport; before: Ledger },
  pack: Package,
): Promise<Span[]> {
  const { link, report, before } = given
  const firstTry = report.tries.find(
    ({ method, span, flags }) => method === 'GET' && span !== null && !flags.includes('not-like-a-unit'),
  )
  const [resumesAt, last] = firstTry?.span ?? [0, 0]
  if (last < pack.sizeBytes - 1) return []
  if (before.firstAskedAtMs !== null || before.sentBytes > 0 || link.unitId === null || resumesAt === 0) return []
  const proven = (await findOlderProof(db, link, pack.digests.sha256)) ?? []
  return proven.length === 1 && proven[0]![0] === 0 && proven[0]![1] === resumesAt - 1 ? proven : []
}

async function saveTries(db: Db, linkId: string, report: LedgerReport): Promise<void> {
  if (report.tries.length === 0) return
  let room = TRIES_MAX - (await countTries(db, linkId))
  for (const record of report.tries) {
    const known = await hasTry(db, record.id)
    if (!known && room <= 0) continue
    if (!known) room -= 1
    await saveTry(db, linkId, record)
  }
}

/** Whether a change of the ledger can change the state of a task, so that progress alone costs no recomputation. */
const movesTasks = (before: Ledger, after: Ledger): boolean =>
  before.firstAskedAtMs !== after.firstAskedAtMs ||
  before.completeAtMs !== after.completeAtMs ||
  before.completeGrade !== after.completeGrade ||
  before.budgetSpentAtMs !== after.budgetSpentAtMs

/** A copy link that was read to the end: every open task that it serves has its file on the technician's side. */
async function noteCopied(work: Work, taskIds: readonly string[], atMs: number): Promise<void> {
  const open = (await findTasks(work.db, taskIds)).filter((task) => task.closedAtMs === null)
  await insertTaskFacts(
    work.db,
    open.map((task) => ({ taskId: task.id, kind: 'copied' as const, atMs, actorId: SYSTEM.id, detail: {} })),
  )
  await settleTasks(
    work,
    SYSTEM,
    open.map((task) => task.id),
  )
}
