// What a caller may set of a unit, and its bounds: the same for one unit by the API and for many in a list. Pure.
import type { Unit } from './unit.store.js'

export const MEMBERS = [
  'imei',
  'serial',
  'modelId',
  'hardware',
  'phone',
  'iccid',
  'groups',
  'timeZone',
  'dataAllowanceBytes',
  'notes',
  'retired',
] as const

/** Identities are checked by who hands this over. */
export type UnitInput = Pick<Unit, (typeof MEMBERS)[number]>

export const UNIT_DEFAULTS: Omit<UnitInput, 'modelId'> = {
  imei: null,
  serial: null,
  hardware: null,
  phone: null,
  iccid: null,
  groups: [],
  timeZone: 'UTC',
  dataAllowanceBytes: null,
  notes: '',
  retired: false,
}

export const HARDWARE_MAX = 64
export const GROUP_NAME_MAX = 64
export const GROUPS_MAX = 50
export const TIME_ZONE_MAX = 64
export const NOTES_MAX = 4000

export const sortedGroups = (groups: readonly string[]): string[] =>
  groups.length < 2 ? [...groups] : [...new Set(groups)].sort()

export const changedMembers = (before: UnitInput, after: UnitInput): string[] =>
  MEMBERS.filter((name) => JSON.stringify(before[name]) !== JSON.stringify(after[name])).sort()

/** Names of the IANA time zone database, as this Node knows it. */
export const isTimeZone = (name: string): boolean => {
  try {
    return Boolean(new Intl.DateTimeFormat('en', { timeZone: name }))
  } catch {
    return false
  }
}
