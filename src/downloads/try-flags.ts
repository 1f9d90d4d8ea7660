// What a request tells of itself that an operator should see beside the try. Pure.
import type { LinkEnd } from './delivery.js'

/**
 * Words by which browsers, scanners of gateways and previews of chats name themselves: common practice, no source.
 * Units use bare library names or none.
 */
const NOT_LIKE_A_UNIT = /mozilla|bot\b|crawl|spider|preview|scan|headless|safe-?links|virus/i

export function flagsOfTry(asked: { userAgent: string | null; end: LinkEnd | null }): string[] {
  const flags: string[] = []
  if (asked.end === 'on-hold') flags.push('held')
  else if (asked.end === 'damaged') flags.push('package-damaged')
  // A text that was queued somewhere fired after its link had ended. A spent budget is a loop, not a late trigger.
  else if (asked.end !== null && asked.end !== 'budget-spent') flags.push('late-trigger-stopped')
  if (asked.userAgent !== null && NOT_LIKE_A_UNIT.test(asked.userAgent)) flags.push('not-like-a-unit')
  return flags
}
