import type { Actor } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import { parseTemplate } from '../command-texts/template.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { findModel, type Model, saveModel } from './model.store.js'
import { FileName, type Profile } from './profile.js'

export interface ModelService {
  /** Creates or replaces. Open tasks keep the terms that they were issued with. */
  put(work: Work, actor: Actor, profile: Profile): Promise<{ model: Model; created: boolean }>
}

export const modelService: ModelService = {
  put: async (work, actor, profile) => {
    const errors = profileFaults(profile)
    if (errors.length > 0)
      throw new AppError('profile-invalid', errors.map((fault) => fault.detail).join(' '), { errors })
    const before = await findModel(work.db, profile.id)
    await saveModel(work.db, profile, work.nowMs)
    await appendAudit(work, actor, [
      { action: before ? 'model.changed' : 'model.created', detail: { model: profile.id, profile } },
    ])
    return { model: (await findModel(work.db, profile.id))!, created: !before }
  },
}

/** What the schema cannot see: places in the template, signs in the file name. Pure. */
export function profileFaults(profile: Profile): { pointer: string; detail: string }[] {
  const faults: { pointer: string; detail: string }[] = []
  const parsed = parseTemplate(profile.command.template)
  if (!parsed.ok) faults.push({ pointer: '/command/template', detail: parsed.detail })
  else if (!parsed.template.pieces.some((piece) => 'place' in piece && piece.place === 'url')) {
    faults.push({
      pointer: '/command/template',
      detail: 'The template has no place {url}: the unit would not know what to download.',
    })
  }
  if (profile.fileName !== null && !FileName.safeParse(profile.fileName.replaceAll('{version}', '1')).success) {
    faults.push({
      pointer: '/fileName',
      detail: 'The file name may hold letters, digits, dot, dash, underscore and {version} only.',
    })
  }
  return faults
}
