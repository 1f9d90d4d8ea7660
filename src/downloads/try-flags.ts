// What a request tells of itself that an operator should see beside the try. Pure.
import type { LinkEnd, LinkTarget } from './delivery.js'

/**
 * Words by which browsers, scanners of gateways and previews of chats name themselves: common practice, no source.
 * Units use bare library names or none.
 */
const FOREIGN_WORDS = /mozilla|bot\b|crawl|spider|preview|scan|headless|safe-?links|virus/i

/** Such a request costs bytes of the link's budget and proves nothing of the unit: somebody else had the address. */
export const NOT_LIKE_A_UNIT = 'not-like-a-unit'

export function flagsOfTry(asked: {
  userAgent: string | null
  end: LinkEnd | null
  kind: LinkTarget['kind']
}): string[] {
  const flags: string[] = []
  if (asked.end === 'on-hold') flags.push('held')
  else if (asked.end === 'damaged') flags.push('package-damaged')
  // A text that was queued somewhere fired after its link had ended. A spent budget is a loop, not a late trigger.
  else if (asked.end !== null && asked.end !== 'budget-spent') flags.push('late-trigger-stopped')
  // A copy link is for computers and phones: a browser is who it is made for.
  if (asked.kind === 'unit' && FOREIGN_WORDS.test(asked.userAgent ?? '')) flags.push(NOT_LIKE_A_UNIT)
  return flags
}
