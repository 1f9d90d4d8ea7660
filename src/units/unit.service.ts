import type { Actor } from '../audit/actor.js'
import { type AuditDraft, appendAudit } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import { findModel } from '../models/model.store.js'
import { changedMembers, sortedGroups, type UnitInput } from './unit.js'
import { findOpenTasks, findUnit, insertUnit, type Unit, updateUnit } from './unit.store.js'

export interface UnitService {
  create(work: Work, actor: Actor, input: UnitInput): Promise<Unit>
  change(work: Work, actor: Actor, name: string, change: Partial<UnitInput>): Promise<Unit>
}

export const unitService: UnitService = {
  create: async (work, actor, input) => {
    const unit = newUnit(input, work.nowMs)
    await check(work, unit)
    await insertUnit(work.db, unit)
    await appendAudit(work, actor, [createdEntry(unit)])
    return unit
  },

  change: async (work, actor, name, change) => {
    const before = await requireUnit(work, name)
    const after: Unit = { ...before, ...change, groups: sortedGroups(change.groups ?? before.groups) }
    const changed = changedMembers(before, after)
    if (changed.length === 0) return before
    await check(work, after)
    if (after.modelId !== before.modelId || after.retired) {
      const open = await findOpenTasks(work.db, [before.id])
      if (open.size > 0) {
        throw new AppError(
          'state-refused',
          'The unit has an open task: cancel it before the unit is retired or changes its model.',
          {
            task: open.get(before.id),
          },
        )
      }
    }
    await updateUnit(work.db, after)
    await appendAudit(work, actor, [changedEntry(after, changed)])
    return after
  },
}

export const newUnit = (input: UnitInput, nowMs: number): Unit => ({
  ...input,
  id: newId('u', nowMs),
  groups: sortedGroups(input.groups),
  version: null,
  versionObservedAtMs: null,
  createdAtMs: nowMs,
})

export const createdEntry = (unit: Unit): AuditDraft => ({
  action: 'unit.created',
  unit: unit.id,
  detail: { model: unit.modelId, hardware: unit.hardware, groups: unit.groups },
  labels: personal(unit),
})

/** Which members changed stands in the hashed part; personal values only in the labels. */
export const changedEntry = (after: Unit, changed: string[]): AuditDraft => ({
  action: 'unit.changed',
  unit: after.id,
  detail: { changed, model: after.modelId, hardware: after.hardware, groups: after.groups, retired: after.retired },
  labels: personal(after),
})

/** What identifies the unit or its SIM: stands outside the hashed bytes of the log. */
export function personal(unit: Pick<Unit, 'imei' | 'serial' | 'phone' | 'iccid'>): Record<string, string> {
  const labels: Record<string, string> = {}
  if (unit.imei !== null) labels.imei = unit.imei
  if (unit.serial !== null) labels.serial = unit.serial
  if (unit.phone !== null) labels.phone = unit.phone
  if (unit.iccid !== null) labels.iccid = unit.iccid
  return labels
}

async function check(work: Work, unit: Unit): Promise<void> {
  if (unit.imei === null && unit.serial === null) {
    throw new AppError('request-invalid', 'A unit needs an IMEI, or a serial number where it has none.')
  }
  if (!(await findModel(work.db, unit.modelId))) {
    throw new AppError('model-not-found', `There is no model ${unit.modelId}: add its profile first.`)
  }
  for (const name of [unit.imei, unit.serial]) {
    const other = name === null ? null : await findUnit(work.db, name)
    if (other && other.id !== unit.id) {
      throw new AppError(
        'unit-taken',
        `Unit ${other.id} has this IMEI or serial number already: change that one, or correct the identity.`,
        { unit: other.id },
      )
    }
  }
}

export async function requireUnit(work: Pick<Work, 'db'>, name: string): Promise<Unit> {
  const unit = await findUnit(work.db, name)
  if (!unit)
    throw new AppError('unit-not-found', `There is no unit ${name}; use our id, the IMEI or the serial number.`)
  return unit
}
