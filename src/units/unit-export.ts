// A unit as a row of a list, in the form in which lists are read. Pure.
import { guardCell } from '../csv/cell.js'
import type { Unit } from './unit.store.js'
import { joinGroups, UNIT_COLUMN_NAMES, type UnitColumn } from './unit-columns.js'

const TEXT_OF: Record<UnitColumn, (unit: Unit) => string | null> = {
  imei: (unit) => unit.imei,
  serial: (unit) => unit.serial,
  model: (unit) => unit.modelId,
  hardware: (unit) => unit.hardware,
  phone: (unit) => unit.phone,
  iccid: (unit) => unit.iccid,
  groups: (unit) => joinGroups(unit.groups),
  timeZone: (unit) => unit.timeZone,
  dataAllowanceBytes: (unit) => (unit.dataAllowanceBytes === null ? null : String(unit.dataAllowanceBytes)),
  notes: (unit) => unit.notes,
  retired: (unit) => (unit.retired ? 'yes' : 'no'),
}

export const unitCells = (unit: Unit): string[] =>
  UNIT_COLUMN_NAMES.map((column) => guardCell(TEXT_OF[column](unit) ?? ''))
