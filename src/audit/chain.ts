// The chain of the audit log: each entry names the hash of the one before it. Pure.
// Personal data stands in `labels`, outside the hashed bytes and bound by a salted hash, so that it can be erased
// without breaking the chain.
import { hash as digest } from 'node:crypto'
import { canonicalJson, writeString } from './canonical-json.js'

/** What the first entry (seq 1) names as the one before it. */
export const GENESIS_PREV = '0'.repeat(64)

export interface AuditActor {
  id: string
  role: string
  via: 'api' | 'public' | 'cli' | 'system'
}

/** Names, phone numbers, identities. The salt is random hex of the caller: without it a phone number could be guessed. */
export interface AuditLabels {
  salt: string
  [name: string]: string | null
}

/** What an action states, before it has its place in the chain. */
export interface AuditBody {
  /** RFC 3339, UTC, milliseconds. */
  at: string
  actor: AuditActor
  action: string
  unit: string | null
  task: string | null
  package: string | null
  fromVersion: string | null
  toVersion: string | null
  sha256: string | null
  detail: Record<string, unknown>
}

export interface AuditEntry extends AuditBody {
  type: 'entry'
  /** From 1 on, without gaps. */
  seq: number
  labelsHash: string | null
  prev: string
  hash: string
  labels: AuditLabels | null
}

export interface ChainHead {
  seq: number
  hash: string
}

/** The head of a log without entries. */
export const EMPTY_HEAD: ChainHead = { seq: 0, hash: GENESIS_PREV }

export const sealEntry = (head: ChainHead, body: AuditBody, labels: AuditLabels | null): AuditEntry =>
  sealWithText(head, body, labels).entry

/**
 * Puts a body behind `head`; `text` and `labelsText` are exactly what was hashed, for keeping.
 * @throws TypeError where the body holds what RFC 8785 cannot write
 */
export function sealWithText(
  head: ChainHead,
  body: AuditBody,
  labels: AuditLabels | null,
): { entry: AuditEntry; text: string; labelsText: string | null } {
  const labelsText = labels === null ? null : canonicalJson(labels)
  const unsealed = {
    type: 'entry' as const,
    seq: head.seq + 1,
    at: body.at,
    actor: body.actor,
    action: body.action,
    unit: body.unit,
    task: body.task,
    package: body.package,
    fromVersion: body.fromVersion,
    toVersion: body.toVersion,
    sha256: body.sha256,
    detail: body.detail,
    labelsHash: labelsText === null ? null : digest('sha256', labelsText, 'hex'),
    prev: head.hash,
  }
  const text = canonicalEntry(unsealed)
  return { entry: { ...unsealed, hash: digest('sha256', text, 'hex'), labels }, text, labelsText }
}

const textOrNull = (value: string | null): string => (value === null ? 'null' : writeString(value))

const actorText = ({ id, role, via }: AuditActor): string =>
  `{"id":${writeString(id)},"role":${writeString(role)},"via":${writeString(via)}}`

/** canonicalJson() of an entry, whose members are always the same: written in their order instead of sorted each time. */
function canonicalEntry(entry: Omit<AuditEntry, 'hash' | 'labels'>): string {
  const { action, actor, at, detail, fromVersion, labelsHash, prev, seq, sha256, task, toVersion, unit } = entry
  return `{"action":${writeString(action)},"actor":${actorText(actor)},"at":${writeString(at)},\
"detail":${canonicalJson(detail)},"fromVersion":${textOrNull(fromVersion)},"labelsHash":${textOrNull(labelsHash)},\
"package":${textOrNull(entry.package)},"prev":${writeString(prev)},"seq":${seq},"sha256":${textOrNull(sha256)},\
"task":${textOrNull(task)},"toVersion":${textOrNull(toVersion)},"type":"entry","unit":${textOrNull(unit)}}`
}

/** The hash that an entry must carry, from whatever stands in it: members that we do not know are hashed too. */
export function entryHash(entry: Readonly<Record<string, unknown>>): string {
  const { hash: _hash, labels: _labels, ...hashed } = entry
  return hashOf(hashed)
}

/** Lower-case hex SHA-256 of the RFC 8785 bytes. */
export function hashOf(value: unknown): string {
  return digest('sha256', canonicalJson(value), 'hex')
}
