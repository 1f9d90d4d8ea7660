// A task as the API shows it. Secrets are filled in here, or masked for those who may not see them.
import { z } from 'zod'
import { toRfc3339 } from '../clock.js'
import type { Ledger } from '../downloads/ledger.store.js'
import type { Span } from '../downloads/span.js'
import { linkUrl } from '../links/link.service.js'
import type { Link } from '../links/link.store.js'
import type { Unit } from '../units/unit.store.js'
import { METHODS, type Standing, TASK_EXITS, TASK_STATES } from './facts.js'
import type { Command, Task } from './task.store.js'
import { TOKEN_PLACE } from './task-command.js'

const SpanView = z.tuple([z.number().int(), z.number().int()])
const Time = z.string()

export const TaskView = z
  .object({
    id: z.string(),
    unit: z.string(),
    imei: z.string().nullable(),
    serial: z.string().nullable(),
    package: z.string(),
    fromVersion: z.string().nullable(),
    toVersion: z.string(),
    method: z.enum(METHODS),
    state: z.enum([...TASK_STATES, ...TASK_EXITS]),
    reason: z.string().nullable(),
    standing: z.object({
      grade: z.enum(['on-course', 'late', 'silent', 'closed']),
      since: Time,
      cause: z.string().nullable(),
      next: z.string().nullable(),
    }),
    issuedAt: Time,
    issuedBy: z.string(),
    deadline: Time,
    moves: z.array(
      z.object({
        state: z.string(),
        at: Time,
        observedAt: Time.nullable(),
        implied: z.boolean(),
        grade: z.enum(['acknowledged', 'inferred', 'copy', 'reported', 'person']),
        evidence: z.object({ kind: z.string(), id: z.string() }),
        by: z.string().nullable(),
      }),
    ),
    link: z
      .object({
        id: z.string(),
        url: z.string(),
        state: z.enum(['live', 'expired', 'revoked']),
        expiresAt: Time.nullable(),
      })
      .nullable(),
    command: z
      .object({
        text: z.string(),
        encoding: z.enum(['GSM-7', 'UCS-2']),
        units: z.number().int(),
        segments: z.number().int(),
        cautions: z.array(z.object({ code: z.string(), text: z.string() })),
        onHold: z.boolean().describe('true: the server is on hold, and the text lacks what would make it work'),
      })
      .nullable(),
    ledger: z.object({
      sizeBytes: z.number().int(),
      grade: z.enum(['acknowledged', 'inferred', 'sent']),
      sent: z.array(SpanView),
      acknowledged: z.array(SpanView),
      inferred: z.array(SpanView),
      duplicateBytes: z.number().int(),
    }),
    flags: z.array(z.string()),
    afterwards: z.array(z.object({ observedAt: Time, version: z.string(), meaning: z.string() })),
    chain: z.null(),
    supersedes: z.string().nullable(),
    supersededBy: z.string().nullable(),
  })
  .meta({ id: 'Task' })
export type TaskView = z.infer<typeof TaskView>

export interface ViewParts {
  task: Task
  unit: Unit
  sizeBytes: number
  link: Link | null
  /** The link's token; null = the viewer may not see it. */
  token: string | null
  command: Command | null
  ledger: Ledger | null
  standing: Standing
  /** Later than the one of the issue by holds. */
  deadlineMs: number
  onHold: boolean
  nowMs: number
  publicUrl: string | null
  /** Where something ends TCP before the server, only "sent" can be said of any byte. */
  behindProxy: boolean
}

const MASK = '…'

export function linkState(link: Link, nowMs: number): 'live' | 'expired' | 'revoked' {
  if (link.endReason !== null) return 'revoked'
  return link.expiresAtMs !== null && link.expiresAtMs <= nowMs ? 'expired' : 'live'
}

const timeOrNull = (ms: number | null): string | null => (ms === null ? null : toRfc3339(ms))

function ledgerView(parts: ViewParts): TaskView['ledger'] {
  const { ledger, sizeBytes, behindProxy } = parts
  const spans = (list: Span[] | undefined): [number, number][] => (list ?? []).map(([first, last]) => [first, last])
  const inferred = (ledger?.inferred.length ?? 0) > 0
  const proven = (ledger?.acknowledged.length ?? 0) > 0 || !behindProxy
  return {
    sizeBytes,
    grade: inferred ? 'inferred' : proven ? 'acknowledged' : 'sent',
    sent: spans(ledger?.sent),
    acknowledged: spans(ledger?.acknowledged),
    inferred: spans(ledger?.inferred),
    duplicateBytes: ledger?.duplicateBytes ?? 0,
  }
}

export function toTaskView(parts: ViewParts): TaskView {
  const { task, unit, link, command, standing } = parts
  const token = parts.token ?? MASK
  return {
    id: task.id,
    unit: task.unitId,
    imei: unit.imei,
    serial: unit.serial,
    package: task.packageId,
    fromVersion: task.fromVersion,
    toVersion: task.toVersion,
    method: task.method,
    state: task.state,
    reason: task.reason,
    standing: { grade: standing.grade, since: toRfc3339(standing.sinceMs), cause: standing.cause, next: standing.next },
    issuedAt: toRfc3339(task.issuedAtMs),
    issuedBy: task.issuedBy,
    deadline: toRfc3339(parts.deadlineMs),
    moves: task.moves.map((move) => ({
      state: move.state,
      at: toRfc3339(move.atMs),
      observedAt: timeOrNull(move.observedAtMs),
      implied: move.implied,
      grade: move.grade,
      evidence: move.evidence,
      by: move.by,
    })),
    link: link && {
      id: link.id,
      url: linkUrl(parts.publicUrl ?? '', token, link.fileName),
      state: linkState(link, parts.nowMs),
      expiresAt: timeOrNull(link.expiresAtMs),
    },
    command: command && {
      text: command.maskedText.replaceAll(TOKEN_PLACE, token),
      encoding: command.encoding,
      units: command.units,
      segments: command.segments,
      cautions: command.cautions,
      onHold: parts.onHold,
    },
    ledger: ledgerView(parts),
    flags: [...new Set([...task.flags, ...(parts.ledger?.flags ?? [])])].sort(),
    afterwards: task.afterwards.map(({ observedAtMs, version, meaning }) => ({
      observedAt: toRfc3339(observedAtMs),
      version,
      meaning,
    })),
    chain: null,
    supersedes: task.supersedes,
    supersededBy: task.supersededBy,
  }
}
