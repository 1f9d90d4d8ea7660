// The command of a task: the template filled in, kept without the token, logged without personal data. Pure.
import { composeCommand, type Template } from '../command-texts/template.js'
import { linkUrl } from '../links/link.service.js'
import { PLAIN_HTTP_CAUTION, STANDING_CAUTIONS } from '../models/cautions.js'
import type { Caution, Profile } from '../models/profile.js'
import type { Package } from '../packages/package.store.js'
import type { Unit } from '../units/unit.store.js'
import type { Command } from './task.store.js'

interface CommandOrder {
  deps: { publicUrl: string | null }
  pack: Package
  profile: Profile
  template: Template
  nowMs: number
}

/** The place of the token in a stored text: a noncharacter (Unicode §23.7), which no template can mean as text. */
export const TOKEN_PLACE = '\uFFFF'

/** The text for the log: without the token, and with identities, which are personal data, in the labels only. */
export function loggedText(order: CommandOrder, command: Command, unit: Unit): string {
  const names = (['imei', 'serial'] as const).filter((name) =>
    order.template.pieces.some((piece) => 'place' in piece && piece.place === name),
  )
  return names.reduce(
    (text, name) => text.replaceAll(unit[name]!, `{${name}}`),
    command.maskedText.replaceAll(TOKEN_PLACE, '…'),
  )
}

export function composeFor(
  order: CommandOrder,
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
