// What a row of a list means for the units that are stored: a new one, a change, nothing, or a contradiction. Pure.
import { shortened } from '../csv/cell.js'
import type { Finding } from '../csv/finding.js'
import { changedMembers, sortedGroups, UNIT_DEFAULTS, type UnitInput } from './unit.js'
import type { Unit } from './unit.store.js'
import { looksLikeImei } from './unit-cells.js'
import type { JudgedRow } from './unit-row.js'

export type Plan =
  | { action: 'create'; after: UnitInput; cautions: Finding[] }
  | { action: 'change'; before: Unit; after: Unit; changed: string[]; cautions: Finding[] }
  | { action: 'unchanged'; before: Unit; cautions: Finding[] }
  | { action: 'refuse'; faults: Finding[]; before: Unit | null }

type Row = Pick<JudgedRow, 'line' | 'imei' | 'serial' | 'given'>

/** @param unitBy the unit that a name finds: our id, IMEI or serial number */
export function planRow(row: Row, unitBy: (name: string) => Unit | undefined): Plan {
  const byImei = row.imei === null ? undefined : unitBy(row.imei)
  const bySerial = row.serial === null ? undefined : unitBy(row.serial)
  const before = byImei ?? bySerial ?? null
  const refuse = (column: 'imei' | 'serial' | 'model', code: string, detail: string): Plan => {
    const value = shortened((column === 'model' ? row.given.modelId : row[column]) ?? '')
    return { action: 'refuse', before, faults: [{ line: row.line, column, value, code, detail }] }
  }
  const conflict = conflictOf(row, { byImei, bySerial })
  if (conflict) return refuse(...conflict)
  const cautions: Finding[] = []
  const note = (column: string, value: string, code: string, detail: string) =>
    cautions.push({ line: row.line, column, value: shortened(value), code, detail })
  if (row.serial !== null && row.serial === row.imei && before?.serial !== row.serial) {
    note(
      'serial',
      row.serial,
      'serial-is-imei',
      'The IMEI stands in the column serial too: empty it if it is no serial number.',
    )
  }
  if (before === null) {
    if (row.given.modelId === undefined) {
      return refuse('model', 'model-missing', 'The unit is new here: name its model.')
    }
    const after = { ...UNIT_DEFAULTS, ...row.given, modelId: row.given.modelId }
    return { action: 'create', after: { ...after, groups: sortedGroups(after.groups) }, cautions }
  }
  const after: Unit = { ...before, ...row.given, groups: sortedGroups(row.given.groups ?? before.groups) }
  const changed = changedMembers(before, after)
  if (changed.length === 0) return { action: 'unchanged', before, cautions }
  if (changed.includes('serial') && before.serial !== null) {
    note(
      'serial',
      after.serial ?? '',
      'serial-changed',
      `The unit had the serial number ${shortened(before.serial)} until now.`,
    )
  }
  return { action: 'change', before, after, changed, cautions }
}

type Conflict = [column: 'imei' | 'serial', code: string, detail: string]

function conflictOf(
  { imei, serial }: Row,
  found: { byImei: Unit | undefined; bySerial: Unit | undefined },
): Conflict | null {
  const { byImei, bySerial } = found
  if (byImei && bySerial && byImei.id !== bySerial.id) {
    const detail = `The IMEI belongs to unit ${byImei.id} and the serial number to unit ${bySerial.id}: correct one of them.`
    return ['serial', 'identity-conflict', detail]
  }
  if (byImei && byImei.imei !== imei) {
    const detail = `Unit ${byImei.id} carries this number as its serial number: change that unit by itself.`
    return ['imei', 'identity-conflict', detail]
  }
  if (!byImei && bySerial && imei !== null && bySerial.imei !== null) {
    const detail = `The serial number belongs to unit ${bySerial.id}, which has another IMEI: correct the row, or change that unit by itself.`
    return ['serial', 'identity-conflict', detail]
  }
  if (serial === null || !looksLikeImei(serial) || serial === imei) return null
  if (bySerial?.serial === serial) return null
  const detail =
    imei === null
      ? 'This is an IMEI: put it into the column imei. If it really is a serial number, add the unit by itself.'
      : 'This is an IMEI, and another one than that in the column imei: correct one of them.'
  return ['serial', 'serial-is-imei', detail]
}
