// Issuing: many tasks in one transaction, each unit judged by itself, nothing stored where nothing can be issued.
import type { Actor } from '../audit/actor.js'
import { type AuditDraft, appendAudit } from '../audit/audit.store.js'
import { composeCommand, parseTemplate, type Template } from '../command-texts/template.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import { draftLink, linkUrl, PUBLIC_URL_NEEDED } from '../links/link.service.js'
import { insertLinks, joinTasks } from '../links/link.store.js'
import { findModel } from '../models/model.store.js'
import { type Caution, PLAIN_HTTP_CAUTION, type Profile, STANDING_CAUTIONS } from '../models/profile.js'
import { requirePackage } from '../packages/package.service.js'
import type { Package } from '../packages/package.store.js'
import { personal } from '../units/unit.service.js'
import { findOpenTasks, findUnits, listGroupUnits, type Unit } from '../units/unit.store.js'
import { derive, nextDueMs } from './derive.js'
import type { Fact, Method } from './facts.js'
import { insertTaskFact } from './facts.store.js'
import { settleTasks } from './settle.service.js'
import {
  type Command,
  findTargets,
  findTasks,
  insertCommands,
  insertTasks,
  markSuperseded,
  type StoredTerms,
  type Task,
} from './task.store.js'

/** Units in one call: one transaction, a few seconds of the writing thread. */
export const ISSUE_MAX = 100_000

export interface IssueInput {
  /** Our ids, IMEIs or serial numbers; or a group. */
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

/** @throws AppError nothing-issued (with the skips), package-not-found, public-url-not-set, unit-not-found */
export async function issueTasks(
  deps: IssueDeps,
  work: Work,
  actor: Actor,
  input: IssueInput,
): Promise<{ taskIds: string[]; skipped: Skip[] }> {
  const pack = await requirePackage(work, input.packageId)
  if (input.method === 'air' && deps.publicUrl === null) throw new AppError('public-url-not-set', PUBLIC_URL_NEEDED)
  const model = await findModel(work.db, pack.modelId)
  const profile = model!.profile
  const deadlineMs = input.deadlineMs ?? work.nowMs + deps.deadlineMs
  if (deadlineMs <= work.nowMs) throw new AppError('request-invalid', 'The deadline lies in the past.')

  const { units, skipped } = await resolveUnits(work, input)
  const open = await openTasksOf(work, units)
  const targets = await findTargets(
    work.db,
    units.map((unit) => unit.id),
  )
  const template = templateOf(profile)
  const order = { deps, input, pack, profile, template, deadlineMs, nowMs: work.nowMs, actorId: actor.id }

  const drafted: Draft[] = []
  let copy: ReturnType<typeof draftLink> | null = null
  for (const unit of units) {
    const refusal = refusalOf(order, unit, open.get(unit.id) ?? null)
    if (refusal) {
      skipped.push({ unit: unit.id, ...refusal })
      continue
    }
    if (input.method !== 'air' && deps.publicUrl !== null) copy ??= copyLink(order)
    const draft = draftTask(order, unit, { earlierTargets: targets.get(unit.id) ?? [], copy })
    if ('refused' in draft) skipped.push({ unit: unit.id, code: 'command-too-long', detail: draft.refused })
    else drafted.push(draft)
  }
  if (drafted.length === 0 || (input.allOrNothing && skipped.length > 0)) {
    throw new AppError(
      'nothing-issued',
      'No task was issued; every unit that stands in the way is named with its reason.',
      { skipped },
    )
  }

  const links = copy ? [copy] : drafted.flatMap((draft) => draft.link ?? [])
  await supersede(work, actor, drafted, open)
  await insertLinks(work.db, links)
  await insertTasks(
    work.db,
    drafted.map((draft) => draft.task),
  )
  await joinTasks(
    work.db,
    drafted.flatMap(({ task }) => (task.linkId === null ? [] : [{ linkId: task.linkId, taskId: task.id }])),
  )
  await insertCommands(
    work.db,
    drafted.flatMap((draft) => draft.command ?? []),
  )
  await appendAudit(work, actor, [...(copy ? [copy.audit] : []), ...drafted.flatMap((draft) => draft.audit)])
  return { taskIds: drafted.map((draft) => draft.task.id), skipped }
}

interface Order {
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
function templateOf(profile: Profile): Template {
  const parsed = parseTemplate(profile.command.template)
  if (!parsed.ok) throw new Error(`model ${profile.id} has a template that cannot be read: ${parsed.detail}`)
  return parsed.template
}

async function resolveUnits(work: Work, input: IssueInput): Promise<{ units: Unit[]; skipped: Skip[] }> {
  if (input.group !== null) {
    const units = await listGroupUnits(work.db, input.group)
    if (units.length > ISSUE_MAX)
      throw new AppError('request-invalid', `At most ${ISSUE_MAX} units in one call: split the group.`)
    return { units, skipped: [] }
  }
  const names = input.units ?? []
  const found = await findUnits(work.db, names)
  const missing = names.filter((name) => !found.has(name))
  if (names.length === 1 && missing.length === 1) {
    throw new AppError('unit-not-found', `There is no unit ${names[0]}; use our id, the IMEI or the serial number.`)
  }
  const units = new Map(names.flatMap((name) => found.get(name) ?? []).map((unit) => [unit.id, unit]))
  return {
    units: [...units.values()],
    skipped: [...new Set(missing)].map((unit) => ({
      unit,
      code: 'unit-unknown' as const,
      detail: 'There is no such unit; use our id, the IMEI or the serial number.',
    })),
  }
}

async function openTasksOf(work: Work, units: readonly Unit[]): Promise<Map<string, Task>> {
  const ids = await findOpenTasks(
    work.db,
    units.map((unit) => unit.id),
  )
  const tasks = await findTasks(work.db, [...ids.values()])
  return new Map(tasks.map((task) => [task.unitId, task]))
}

/** Why this unit gets no task, the first reason that applies; null = none. */
function refusalOf(order: Order, unit: Unit, open: Task | null): Omit<Skip, 'unit'> | null {
  const { input, pack } = order
  if (unit.retired) return { code: 'unit-retired', detail: 'The unit is retired.' }
  if (unit.modelId !== pack.modelId) {
    return { code: 'wrong-model', detail: `The unit is a ${unit.modelId}, the package is for ${pack.modelId}.` }
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
      detail: `${pack.version} installs over ${pack.installsOver.join(', ') || 'nothing'}; the unit reports ${unit.version}.`,
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
      detail: `The command of ${unit.modelId} names the ${missing}, which this unit has not.`,
    }
  return null
}

const copyLink = (order: Order): ReturnType<typeof draftLink> =>
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

interface Draft {
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

/** The version that the unit reported last, as the fact that it is. */
function knownBefore(unit: Unit): Fact[] {
  if (unit.version === null || unit.versionObservedAtMs === null) return []
  const at = unit.versionObservedAtMs
  return [
    {
      kind: 'checkin',
      id: unit.id,
      version: unit.version,
      observedAtMs: at,
      receivedAtMs: at,
      source: 'record',
      timing: 'stated',
      answersQuerySentAtMs: null,
      digest: null,
    },
  ]
}

function draftTask(
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
  const derived = derive(terms, knownBefore(unit), nowMs)
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
    const { maskedText: text, encoding, units, segments } = command
    audit.push({ action: 'command.composed', ...subject, detail: { text, encoding, units, segments } })
  }
  return { task, link, command, audit }
}

/** The place of the token in a stored text. The sign cannot be part of a token, nor of a profile's place. */
export const TOKEN_PLACE = '{token}'

function composeFor(
  order: Order,
  unit: Unit,
  link: { taskId: string; token: string; fileName: string },
): Command | { refused: string } {
  const { pack, profile, deps } = order
  const url = linkUrl(deps.publicUrl!, link.token, link.fileName)
  const composed = composeCommand({
    template: order.template,
    values: {
      url,
      fileName: link.fileName,
      version: pack.version,
      sizeBytes: String(pack.sizeBytes),
      ...pack.digests,
      imei: unit.imei,
      serial: unit.serial,
    },
    limits: {
      maxUnits: profile.command.maxUnits,
      maxSegments: profile.command.maxSegments,
      encoding: profile.command.encoding,
      urlMaxBytes: profile.command.urlMaxBytes,
      forbiddenInUrl: profile.command.forbiddenInUrl,
    },
  })
  if (!composed.ok) return { refused: composed.detail }
  const cautions: Caution[] = [
    ...STANDING_CAUTIONS,
    ...(url.startsWith('http://') ? [PLAIN_HTTP_CAUTION] : []),
    ...profile.cautions,
    ...composed.cautions,
  ]
  return {
    taskId: link.taskId,
    maskedText: composed.text.replaceAll(link.token, TOKEN_PLACE),
    encoding: composed.encoding,
    units: composed.units,
    segments: composed.segments,
    cautions,
    composedAtMs: order.nowMs,
  }
}

/** Closes what the new tasks replace. The old links end with their tasks. */
async function supersede(
  work: Work,
  actor: Actor,
  drafted: readonly Draft[],
  open: ReadonlyMap<string, Task>,
): Promise<void> {
  const old: string[] = []
  for (const { task } of drafted) {
    const before = open.get(task.unitId)
    if (!before) continue
    task.supersedes = before.id
    old.push(before.id)
    await insertTaskFact(work.db, {
      taskId: before.id,
      kind: 'supersede',
      atMs: work.nowMs,
      actorId: actor.id,
      detail: { by: task.id },
    })
    await markSuperseded(work.db, before.id, task.id)
  }
  if (old.length > 0) await settleTasks(work, actor, old)
}
