import { hashToken, linkToken } from '../access/secret.js'
import type { Actor } from '../audit/actor.js'
import { type AuditDraft, appendAudit } from '../audit/audit.store.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { refuseOnHold } from '../hold/hold.service.js'
import { newId } from '../ids.js'
import { findModel } from '../models/model.store.js'
import { byteBudget, type Profile, servedFileName } from '../models/profile.js'
import { refuseDamaged, requirePackage } from '../packages/package.service.js'
import type { Package } from '../packages/package.store.js'
import { requireUnit } from '../units/unit.service.js'
import {
  type EndReason,
  findLink,
  findLinks,
  insertLinks,
  joinTasks,
  type Link,
  type LinkKind,
  markEnded,
  openTasksAmong,
  setTaskLink,
} from './link.store.js'

const HOUR_MS = 3_600_000

/** A copy link serves many tasks and people; its budget is a guard against loops, not a bill. */
const COPY_BUDGET_FACTOR = 1000

export interface LinkService {
  create(
    work: Work,
    actor: Actor,
    input: {
      packageId: string
      kind: LinkKind
      unit: string | null
      /** Tasks that a copy link serves: they move to `fetched` when it was read to the end. */
      taskIds: string[]
      expiresAtMs: number | null
      byteBudgetBytes: number | null
    },
  ): Promise<Link>
  revoke(work: Work, actor: Actor, id: string): Promise<void>
}

/** A new link as a value, with what to store and to log. */
export function draftLink(
  deps: { serverSecret: string },
  input: {
    kind: LinkKind
    pack: Package
    profile: Profile
    unitId: string | null
    taskId: string | null
    expiresAtMs: number | null
    byteBudgetBytes: number | null
    createdBy: string
    nowMs: number
  },
): { link: Link; token: string; tokenHash: string; audit: AuditDraft } {
  const id = newId('l', input.nowMs)
  const token = linkToken(deps.serverSecret, id)
  const factor = input.kind === 'unit' ? input.profile.byteBudgetFactor : COPY_BUDGET_FACTOR
  const link: Link = {
    id,
    kind: input.kind,
    packageId: input.pack.id,
    unitId: input.unitId,
    fileName: servedFileName(input.profile, input.pack),
    byteBudgetBytes: input.byteBudgetBytes ?? byteBudget({ byteBudgetFactor: factor }, input.pack.sizeBytes),
    expiresAtMs: input.expiresAtMs,
    createdAtMs: input.nowMs,
    createdBy: input.createdBy,
    endReason: null,
    endedAtMs: null,
  }
  return {
    link,
    token,
    tokenHash: hashToken(token),
    audit: {
      action: 'link.created',
      unit: input.unitId,
      task: input.taskId,
      package: input.pack.id,
      toVersion: input.pack.version,
      sha256: input.pack.digests.sha256,
      detail: { link: id, kind: input.kind, byteBudgetBytes: link.byteBudgetBytes },
    },
  }
}

export function linkService(deps: {
  serverSecret: string
  publicUrl: string | null
  taskDeadlineHours: number
}): LinkService {
  return {
    create: async (work, actor, input) => {
      await refuseOnHold(work)
      if (deps.publicUrl === null) throw new AppError('public-url-not-set', PUBLIC_URL_NEEDED)
      const pack = await requirePackage(work, input.packageId)
      if (pack.state !== 'released') {
        throw new AppError('state-refused', `The package is ${pack.state}; links are for released packages.`, {
          state: pack.state,
        })
      }
      if (input.expiresAtMs !== null && input.expiresAtMs <= work.nowMs) {
        const errors = [{ pointer: '/expiresAt', detail: 'lies in the past' }]
        throw new AppError('request-invalid', 'expiresAt lies in the past: give a later time, or none.', { errors })
      }
      refuseDamaged(pack)
      const model = await findModel(work.db, pack.modelId)
      const unit = input.unit === null ? null : await requireUnit(work, input.unit)
      if (input.kind === 'unit' && !unit)
        throw new AppError('request-invalid', 'A unit link needs the unit that it is for.')
      if (unit && (unit.modelId !== pack.modelId || unit.retired)) {
        const why = unit.retired ? 'is retired' : `is a ${unit.modelId}, the package is for ${pack.modelId}`
        throw new AppError('state-refused', `The unit ${why}: it gets no link to this file.`, { unit: unit.id })
      }
      const taskIds = [...new Set(input.taskIds)]
      await requireServedTasks(work, { ...input, taskIds })
      const drafted = draftLink(deps, {
        ...input,
        expiresAtMs: input.expiresAtMs ?? expiryOf(deps, work, input.kind),
        pack,
        profile: model!.profile,
        unitId: unit?.id ?? null,
        taskId: null,
        createdBy: actor.id,
        nowMs: work.nowMs,
      })
      await insertLinks(work.db, [drafted])
      await joinTasks(
        work.db,
        taskIds.map((taskId) => ({ linkId: drafted.link.id, taskId })),
      )
      // From now on the tasks and their sheets show this link; the one before serves them until it ends.
      await setTaskLink(work.db, taskIds, drafted.link.id)
      const { detail } = drafted.audit
      await appendAudit(work, actor, [
        { ...drafted.audit, detail: { ...detail, ...(taskIds.length > 0 && { tasks: taskIds }) } },
      ])
      return drafted.link
    },

    revoke: async (work, actor, id) => {
      const link = await findLink(work.db, id)
      if (!link)
        throw new AppError(
          'link-not-found',
          `There is no link ${id}: take the id from the task; the token is not the id.`,
        )
      await endLinks(work, actor, [id], 'revoked')
    },
  }
}

/** A link for people is passed on and forgotten: without a time of its own it ends as a task issued now would. */
const expiryOf = (deps: { taskDeadlineHours: number }, work: Work, kind: LinkKind): number | null =>
  kind === 'copy' ? work.nowMs + deps.taskDeadlineHours * HOUR_MS : null

export const PUBLIC_URL_NEEDED =
  'Set FIRMHAND_PUBLIC_URL to the address under which cameras reach the public listener, and start again.'

/** Ends links that are live, tells the byte server after the commit, and logs each. */
export async function endLinks(work: Work, actor: Actor, ids: readonly string[], reason: EndReason): Promise<void> {
  const ended = await markEnded(work.db, ids, { reason, atMs: work.nowMs })
  const links = await findLinks(work.db, ended)
  const drafts: AuditDraft[] = ended.map((id) => {
    const { unitId, packageId } = links.get(id)!
    return { action: 'link.ended', unit: unitId, package: packageId, detail: { link: id, reason } }
  })
  for (const id of ended) work.effects.push({ kind: 'link-ended', linkId: id })
  await appendAudit(work, actor, drafts)
}

/** The whole address of a link. */
export const linkUrl = (publicUrl: string, token: string, fileName: string): string =>
  `${publicUrl}/d/${token}/${fileName}`

/** A copy link may serve open hand tasks of the same package only: anything else would be evidence for the wrong thing. */
async function requireServedTasks(
  work: Work,
  input: { kind: LinkKind; packageId: string; taskIds: string[] },
): Promise<void> {
  if (input.taskIds.length === 0) return
  if (input.kind !== 'copy')
    throw new AppError('request-invalid', 'Only a copy link serves tasks that exist; a unit link comes with its task.')
  const known = await openTasksAmong(work.db, input)
  const wrong = input.taskIds.filter((id) => !known.has(id))
  if (wrong.length > 0) {
    throw new AppError(
      'task-not-found',
      `Not open hand tasks of this package: ${wrong.slice(0, 5).join(', ')}. Leave them out.`,
      {
        tasks: wrong,
      },
    )
  }
}
