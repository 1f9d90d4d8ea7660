// What issuing makes of one unit: a reason against it, or a task with its link, command and log entries, as values.
// Touches no database; ids and tokens are made here.
import type { AuditDraft } from '../audit/audit.store.js'
import { parseTemplate, type Template } from '../command-texts/template.js'
import { newId } from '../ids.js'
import { draftLink } from '../links/link.service.js'
import type { Profile } from '../models/profile.js'
import type { Package } from '../packages/package.store.js'
import { personal } from '../units/unit.service.js'
import type { Unit } from '../units/unit.store.js'
import { derive, nextDueMs } from './derive.js'
import type { Fact, Method } from './facts.js'
import type { Command, StoredTerms, Task } from './task.store.js'
import { composeFor, loggedText } from './task-command.js'

export interface IssueInput {
  /** One of the three. Units by our id, IMEI or serial number. */
  unit: string | null
  units: string[] | null
  group: string | null
  packageId: string
  method: Method
  deadlineMs: number | null
  supersede: boolean
  force: boolean
  allOrNothing: boolean
  mayBeInstalling: boolean
}

export const SKIP_CODES = [
  'open-task',
  'already-on-target',
  'wrong-model',
  'path-not-allowed',
  'no-identity',
  'command-too-long',
  'package-not-released',
  'unit-retired',
  'unit-unknown',
] as const

export interface Skip {
  unit: string
  code: (typeof SKIP_CODES)[number]
  detail: string
}

export interface IssueDeps {
  serverSecret: string
  publicUrl: string | null
  deadlineMs: number
}

export interface Order {
  deps: IssueDeps
  input: IssueInput
  pack: Package
  profile: Profile
  template: Template
  deadlineMs: number
  nowMs: number
  actorId: string
}

/** A profile is checked when it is saved, so a fault here is ours. */
export function templateOf(profile: Profile): Template {
  const parsed = parseTemplate(profile.command.template)
  if (!parsed.ok) throw new Error(`model ${profile.id} has a template that cannot be read: ${parsed.detail}`)
  return parsed.template
}

/** Why this unit gets no task, the first reason that applies; null = none. */
export function refusalOf(order: Order, unit: Unit, open: Task | null): Omit<Skip, 'unit'> | null {
  const { input, pack } = order
  if (unit.retired)
    return { code: 'unit-retired', detail: 'The unit is retired: leave it out, or take it back into use first.' }
  if (unit.modelId !== pack.modelId) {
    return {
      code: 'wrong-model',
      detail: `The unit is a ${unit.modelId}, the package is for ${pack.modelId}: choose a package of its model.`,
    }
  }
  if (pack.state !== 'released')
    return { code: 'package-not-released', detail: `The package is ${pack.state}: release it first.` }
  if (open && !input.supersede) {
    return { code: 'open-task', detail: `Task ${open.id} is open: wait for it, cancel it, or ask to supersede it.` }
  }
  if (open && open.state !== 'queued' && !input.mayBeInstalling) {
    return {
      code: 'open-task',
      detail: `Task ${open.id} is ${open.state}: the unit may be installing, which nothing can stop. Supersede it with acknowledge "may-be-installing".`,
    }
  }
  if (unit.version === pack.version && !input.force) {
    return {
      code: 'already-on-target',
      detail: `The unit reports ${pack.version} already; force the issue to install it again.`,
    }
  }
  if (unit.version !== null && pack.installsOver !== null && !pack.installsOver.includes(unit.version)) {
    return {
      code: 'path-not-allowed',
      detail: `${pack.version} installs over ${pack.installsOver.join(', ') || 'nothing'}; the unit reports ${unit.version}: issue a package in between first.`,
    }
  }
  const missing = (['imei', 'serial'] as const).find(
    (name) =>
      input.method === 'air' &&
      unit[name] === null &&
      order.template.pieces.some((piece) => 'place' in piece && piece.place === name),
  )
  if (missing)
    return {
      code: 'no-identity',
      detail: `The command of ${unit.modelId} names the ${missing}, which this unit has not: add it to the unit, or use a method by hand.`,
    }
  return null
}

export const copyLink = (order: Order): ReturnType<typeof draftLink> =>
  draftLink(order.deps, {
    kind: 'copy',
    pack: order.pack,
    profile: order.profile,
    unitId: null,
    taskId: null,
    expiresAtMs: order.deadlineMs,
    byteBudgetBytes: null,
    createdBy: order.actorId,
    nowMs: order.nowMs,
  })

export interface Draft {
  task: Task
  link: ReturnType<typeof draftLink> | null
  command: Command | null
  audit: AuditDraft[]
}

function termsOf(order: Order, taskId: string, earlierTargets: string[]): StoredTerms {
  const { pack, profile, input } = order
  return {
    id: taskId,
    method: input.method,
    target: pack.version,
    installsOver: pack.installsOver,
    forced: input.force,
    issuedAtMs: order.nowMs,
    issuedBy: order.actorId,
    deadlineMs: order.deadlineMs,
    earlierTargets,
    installMs: profile.times.installSeconds * 1000,
    soakMs: profile.times.soakSeconds * 1000,
    reportsApartMs: profile.times.reportsApartSeconds * 1000,
    damagedAfter: profile.damagedAfter,
    inferredAllowed: profile.inferredAllowed,
    digests: pack.digests,
    sizeBytes: pack.sizeBytes,
  }
}

/** The version that the unit reported last, as the fact that it is: received before now, whatever a fast clock says. */
function knownBefore(unit: Unit, nowMs: number): Fact[] {
  if (unit.version === null || unit.versionObservedAtMs === null) return []
  const at = unit.versionObservedAtMs
  return [
    {
      kind: 'checkin',
      id: unit.id,
      version: unit.version,
      observedAtMs: at,
      receivedAtMs: Math.min(at, nowMs - 1),
      source: 'record',
      timing: 'stated',
      answersQuerySentAtMs: null,
      digest: null,
    },
  ]
}

export function draftTask(
  order: Order,
  unit: Unit,
  given: { earlierTargets: string[]; copy: ReturnType<typeof draftLink> | null },
): Draft | { refused: string } {
  const { pack, profile, input, nowMs, actorId } = order
  const id = newId('t', nowMs)
  const link =
    input.method === 'air'
      ? draftLink(order.deps, {
          kind: 'unit',
          pack,
          profile,
          unitId: unit.id,
          taskId: id,
          expiresAtMs: null,
          byteBudgetBytes: null,
          createdBy: actorId,
          nowMs,
        })
      : null
  const command = link ? composeFor(order, unit, { taskId: id, token: link.token, fileName: link.link.fileName }) : null
  if (command && 'refused' in command) return command
  const terms = termsOf(order, id, given.earlierTargets)
  const derived = derive(terms, knownBefore(unit, nowMs), nowMs)
  const task: Task = {
    id,
    unitId: unit.id,
    packageId: pack.id,
    method: input.method,
    fromVersion: derived.fromVersion,
    toVersion: pack.version,
    state: derived.state,
    reason: derived.reason,
    issuedAtMs: nowMs,
    issuedBy: actorId,
    deadlineMs: order.deadlineMs,
    closedAtMs: derived.closedAtMs,
    dueAtMs: nextDueMs(terms, derived),
    supersedes: null,
    supersededBy: null,
    linkId: link?.link.id ?? given.copy?.link.id ?? null,
    terms,
    moves: derived.moves,
    flags: derived.flags,
    afterwards: [],
  }
  const subject = {
    unit: unit.id,
    task: id,
    package: pack.id,
    fromVersion: task.fromVersion,
    toVersion: pack.version,
    sha256: pack.digests.sha256,
  }
  const audit: AuditDraft[] = [
    {
      action: 'task.issued',
      ...subject,
      detail: { method: input.method, deadline: new Date(order.deadlineMs).toISOString(), force: input.force },
      labels: personal(unit),
    },
  ]
  if (link) audit.push(link.audit)
  if (command) {
    const { encoding, units, segments } = command
    const detail = { text: loggedText(order, command, unit), encoding, units, segments }
    audit.push({ action: 'command.composed', ...subject, detail, labels: personal(unit) })
  }
  return { task, link, command, audit }
}
