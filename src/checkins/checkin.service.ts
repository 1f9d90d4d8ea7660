import type { Actor } from '../audit/actor.js'
import { type AuditDraft, appendAudit } from '../audit/audit.store.js'
import { toRfc3339 } from '../clock.js'
import type { Work } from '../db/db.js'
import { newId } from '../ids.js'
import { noteAfterwards, settleLoaded } from '../tasks/settle.service.js'
import { findNewestTasks, findTaskAt, type Task } from '../tasks/task.store.js'
import { findUnitIds, noteVersions } from '../units/unit.store.js'
import { type ItemCode, readItem } from './checkin.js'
import { insertCheckins, type StoredCheckin } from './checkin.store.js'

export interface CheckinResult {
  index: number
  unit: string | null
  accepted: boolean
  duplicate: boolean
  task: string | null
  state: string | null
  code: ItemCode | null
}

export interface CheckinService {
  /** Takes the items in, in order; a bad one is named in its result and the others stand. */
  accept(work: Work, actor: Actor, input: { items: unknown[]; source: string }): Promise<CheckinResult[]>
}

export const checkinService: CheckinService = {
  accept: async (work, actor, { items, source }) => {
    const read = items.map((item) => readItem(item, work.nowMs))
    const unitIds = await findUnitIds(
      work.db,
      read.flatMap((item) => ('checkin' in item ? [item.checkin.unit] : [])),
    )
    const results: CheckinResult[] = []
    const fresh: { checkin: StoredCheckin; result: CheckinResult }[] = []
    read.forEach((item, index) => {
      const result: CheckinResult = {
        index,
        unit: null,
        accepted: false,
        duplicate: false,
        task: null,
        state: null,
        code: null,
      }
      results.push(result)
      if (!('checkin' in item)) {
        result.unit = item.unit
        result.code = item.code
        return
      }
      const unitId = unitIds.get(item.checkin.unit)
      result.unit = unitId ?? item.checkin.unit
      if (unitId === undefined) {
        result.code = 'unit-unknown'
        return
      }
      result.accepted = true
      const { unit: _name, ...rest } = item.checkin
      const checkin = {
        ...rest,
        id: newId('c', work.nowMs),
        unitId,
        source,
        receivedAtMs: work.nowMs,
        keyId: actor.id,
      }
      fresh.push({ checkin, result })
    })

    const stored = await insertCheckins(
      work.db,
      fresh.map(({ checkin }) => checkin),
    )
    for (const { checkin, result } of fresh) result.duplicate = !stored.has(checkin.id)
    const news = fresh.filter(({ result }) => !result.duplicate)
    await noteVersions(
      work.db,
      news.map(({ checkin }) => checkin),
    )
    await moveTasks(work, actor, fresh, news)
    return results
  },
}

async function moveTasks(
  work: Work,
  actor: Actor,
  all: readonly { checkin: StoredCheckin; result: CheckinResult }[],
  news: readonly { checkin: StoredCheckin }[],
): Promise<void> {
  const newest = await findNewestTasks(work.db, [...new Set(all.map(({ checkin }) => checkin.unitId))])
  await appendAudit(
    work,
    actor,
    news.map(({ checkin }) => auditOf(checkin, newest.get(checkin.unitId)?.id ?? null)),
  )
  // Looked up before anything moves: what closes a task did not come after its close.
  const late = await reportsOfClosed(work, newest, news)
  const concerned = new Set(news.flatMap(({ checkin }) => newest.get(checkin.unitId) ?? []))
  const states = await settleLoaded(work, actor, [...concerned])
  await noteAfterwards(work, actor, late)
  for (const { checkin, result } of all) {
    const task = newest.get(checkin.unitId)
    if (!task) continue
    result.task = task.id
    result.state = states.get(task.id) ?? task.state
  }
}

/** Reports of the time of a task that is closed, be it that a newer one has been issued since. */
async function reportsOfClosed(
  work: Work,
  newest: ReadonlyMap<string, Task>,
  news: readonly { checkin: StoredCheckin }[],
): Promise<{ task: Task; observedAtMs: number; version: string }[]> {
  const reports = []
  for (const { checkin } of news) {
    const { unitId, observedAtMs, version } = checkin
    const last = newest.get(unitId)
    if (!last) continue
    const task = observedAtMs >= last.issuedAtMs ? last : await findTaskAt(work.db, unitId, observedAtMs)
    if (task && task.closedAtMs !== null) reports.push({ task, observedAtMs, version })
  }
  return reports
}

const auditOf = (checkin: StoredCheckin, taskId: string | null): AuditDraft => ({
  action: 'checkin.accepted',
  unit: checkin.unitId,
  task: taskId,
  toVersion: checkin.version,
  detail: {
    checkin: checkin.id,
    observedAt: toRfc3339(checkin.observedAtMs),
    timing: checkin.timing,
    source: checkin.source,
    digest: checkin.digest,
  },
})
