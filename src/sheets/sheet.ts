// What a sheet says of one task, as values: nothing of how it looks. Pure.
import type { Profile } from '../models/profile.js'
import { servedFileName } from '../models/profile.js'
import type { Package } from '../packages/package.store.js'
import type { Method } from '../tasks/facts.js'
import type { Task } from '../tasks/task.store.js'
import type { Unit } from '../units/unit.store.js'

export type SheetLink =
  /** For who may use it. */
  | { kind: 'open'; url: string; expiresAtMs: number | null }
  /** The viewer's role may not see the token: neither as text nor as QR. */
  | { kind: 'masked'; url: string }
  | { kind: 'none'; why: 'air' | 'closed' | 'withdrawn' | 'no-public-url' | 'on-hold' | 'ended' }

export interface Sheet {
  task: Pick<Task, 'id' | 'method' | 'state' | 'reason' | 'issuedAtMs' | 'deadlineMs' | 'fromVersion' | 'toVersion'>
  unit: Pick<Unit, 'id' | 'imei' | 'serial' | 'hardware' | 'iccid' | 'groups' | 'notes'>
  model: { id: string; title: string; cautions: Profile['cautions'] }
  file: { name: string; sizeBytes: number; sha256: string; package: string }
  installsOver: string[] | null
  times: { installMinutes: number; soakMinutes: number }
  link: SheetLink
  /** Why nobody may install by this sheet; empty where one may. */
  stops: string[]
  auditHead: { seq: number; hash: string }
  printedAtMs: number
}

/** Signs of a note that find room on paper; who needs more looks at the unit's record. */
export const NOTES_MAX = 160

export function sheetOf(given: {
  task: Task
  unit: Unit
  pack: Package
  profile: Profile
  link: SheetLink
  auditHead: { seq: number; hash: string }
  onHold: boolean
  nowMs: number
}): Sheet {
  const { task, unit, pack, profile, link } = given
  return {
    task,
    unit,
    model: { id: profile.id, title: profile.title, cautions: profile.cautions },
    file: {
      name: servedFileName(profile, pack),
      sizeBytes: pack.sizeBytes,
      sha256: pack.digests.sha256,
      package: pack.id,
    },
    installsOver: pack.installsOver,
    times: { installMinutes: minutes(task.terms.installMs), soakMinutes: minutes(task.terms.soakMs) },
    link,
    stops: [
      ...(given.onHold ? ['The server is on hold: nothing is given out. Ask the office before you begin.'] : []),
      ...stopsOf(task, pack),
    ],
    auditHead: given.auditHead,
    printedAtMs: given.nowMs,
  }
}

const minutes = (ms: number): number => Math.ceil(ms / 60_000)

function stopsOf(task: Task, pack: Package): string[] {
  const stops: string[] = []
  if (task.closedAtMs !== null) stops.push(`Task closed (${task.state}). Do not install by this sheet.`)
  else if (task.state === 'applied')
    stops.push('The unit reports the new version already. Do not install again: read the version once more.')
  if (pack.state === 'withdrawn') stops.push('Package withdrawn. Do not install this file.')
  if (task.flags.includes('path-not-allowed'))
    stops.push('The unit may run a version that this file must not be installed over. Read the version first.')
  return stops
}

/** The last part of a text stays whole in its group, so that groups joined are the text: nothing is added, nothing lost. */
export function groupsOf(text: string, length: number): string[] {
  return text.match(new RegExp(`.{1,${length}}`, 'gsu')) ?? []
}

/** The head as people write it down: enough of the hash that nobody finds another log with it by chance. */
export const HEAD_HASH_SIGNS = 16
export const shortHead = ({ seq, hash }: { seq: number; hash: string }): string =>
  `${seq}:${hash.slice(0, HEAD_HASH_SIGNS)}`

export const isByHand = (method: Method): boolean => method !== 'air'
