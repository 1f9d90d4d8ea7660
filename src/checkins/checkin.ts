// A check-in as it comes in, checked item by item: one bad item never spoils the others. Pure.
import { canBeStored } from '../http/stored-text.js'
import { normaliseVersion, versionFault } from '../versions/version.js'

/** By what route a version was learnt. `bench`: read by a technician at the unit. */
export const OFFICE_SOURCES = ['operator', 'bench', 'spreadsheet'] as const

export const CHECKINS_MAX = 10_000
export const CHECKIN_BODY_MAX_BYTES = 5 * 1024 * 1024

export const ITEM_CODES = [
  'unit-unknown',
  'version-empty',
  'version-too-long',
  'time-invalid',
  'digest-invalid',
  'item-invalid',
] as const
export type ItemCode = (typeof ITEM_CODES)[number]

export interface Checkin {
  unit: string
  version: string
  rawVersion: string
  /** observedAt as it came, impossible times too; null = none came. */
  statedAtMs: number | null
  observedAtMs: number
  timing: 'stated' | 'receipt' | 'clock'
  externalId: string | null
  digest: string | null
  note: string | null
}

/** No camera of this kind is older: an earlier time is a clock that lost its battery. */
const EARLIEST_MS = Date.UTC(2020, 0, 1)
/** How far the unit's or the platform's clock may run ahead of ours. */
const AHEAD_MAX_MS = 5 * 60 * 1000

const UNIT_MAX = 128
const NOTE_MAX = 2000
const EXTERNAL_ID_MAX = 200
/** SHA-256, SHA-1, MD5, CRC-32 in hex: what units of this kind know. */
const DIGEST = /^(?:[0-9a-f]{64}|[0-9a-f]{40}|[0-9a-f]{32}|[0-9a-f]{8})$/
/** RFC 3339 §5.6; Date.parse alone would take much more: the 30th of February, 24 o'clock, local times. */
const RFC3339 =
  /^(\d{4}-(?:0[1-9]|1[0-2])-)(\d\d)[Tt ](?:[01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(?:\.\d{1,9})?(?:[Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)$/

const absent = (value: unknown): boolean => value === undefined || value === null

export function readItem(item: unknown, nowMs: number): { checkin: Checkin } | { code: ItemCode; unit: string | null } {
  if (typeof item !== 'object' || item === null || Array.isArray(item)) return { code: 'item-invalid', unit: null }
  const { unit, version, observedAt, id, digest, note } = item as Record<string, unknown>
  const name = typeof unit === 'string' ? unit.trim() : ''
  const shown = typeof unit === 'string' ? unit.slice(0, UNIT_MAX) : null
  const refuse = (code: ItemCode) => ({ code, unit: shown })
  const texts = [unit, id, note].filter((value) => typeof value === 'string')
  if (!texts.every(canBeStored)) return { code: 'item-invalid', unit: null }

  if (name === '' || name.length > UNIT_MAX) return refuse('unit-unknown')
  if (typeof version !== 'string') return refuse('version-empty')
  const fault = versionFault(version)
  if (fault) return refuse(fault === 'version-characters' ? 'item-invalid' : fault)
  if (!absent(id) && (typeof id !== 'string' || id === '' || id.length > EXTERNAL_ID_MAX)) return refuse('item-invalid')
  if (!absent(note) && (typeof note !== 'string' || note.length > NOTE_MAX)) return refuse('item-invalid')
  const hex = typeof digest === 'string' ? digest.toLowerCase() : digest
  if (!absent(hex) && !(typeof hex === 'string' && DIGEST.test(hex))) return refuse('digest-invalid')
  const time = readTime(observedAt, nowMs)
  if (!time) return refuse('time-invalid')
  return {
    checkin: {
      unit: name,
      version: normaliseVersion(version),
      rawVersion: version,
      ...time,
      externalId: absent(id) ? null : (id as string),
      digest: absent(hex) ? null : (hex as string),
      note: absent(note) ? null : (note as string),
    },
  }
}

/** An impossible time is the unit's clock: it counts at receipt, and says so. Text that is no time at all is refused. */
function readTime(text: unknown, nowMs: number): Pick<Checkin, 'statedAtMs' | 'observedAtMs' | 'timing'> | null {
  if (absent(text)) return { statedAtMs: null, observedAtMs: nowMs, timing: 'receipt' }
  const match = typeof text === 'string' ? RFC3339.exec(text) : null
  if (!match) return null
  const [whole, month, day, second] = match as unknown as [string, string, string, string]
  const monthAt = new Date(`${month}01T00:00:00Z`)
  const daysInMonth = new Date(Date.UTC(monthAt.getUTCFullYear(), monthAt.getUTCMonth() + 1, 0)).getUTCDate()
  if (Number(day) < 1 || Number(day) > daysInMonth) return null
  // A leap second (§5.7) is the second after :59; Date does not know it.
  const isLeap = second === '60'
  const plain = whole.replace(' ', 'T').toUpperCase()
  const ms = Date.parse(isLeap ? plain.replace(':60', ':59') : plain) + (isLeap ? 1000 : 0)
  if (ms < EARLIEST_MS || ms > nowMs + AHEAD_MAX_MS) return { statedAtMs: ms, observedAtMs: nowMs, timing: 'clock' }
  return { statedAtMs: ms, observedAtMs: ms, timing: 'stated' }
}
