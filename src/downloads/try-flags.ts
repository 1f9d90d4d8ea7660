// What a request tells of itself that an operator should see beside the try. Pure.
import type { LinkEnd, LinkTarget, TryFlag } from './delivery.js'

/** The word by which all browsers name themselves: common practice, no source. Units use bare library names or none. */
const BROWSER_WORD = /mozilla/i

/** Words of scanners in gateways, previews in chats and browsers without a person: common practice, no source. */
const MACHINE_WORDS = /bot\b|crawl|spider|preview|scan|headless|safe-?links|virus/i

export function flagsOfTry(asked: {
  userAgent: string | null
  end: LinkEnd | null
  kind: LinkTarget['kind']
  clientLooksLikeBrowser: boolean
}): TryFlag[] {
  const flags: TryFlag[] = []
  if (asked.end === 'on-hold') flags.push('held')
  else if (asked.end === 'damaged') flags.push('package-damaged')
  // A text that was queued somewhere fired after its link had ended. A spent budget is a loop, not a late trigger.
  else if (asked.end !== null && asked.end !== 'budget-spent') flags.push('late-trigger-stopped')
  // Costs bytes of the link's budget and proves nothing of the unit: somebody else had the address. A copy link is for
  // computers and phones: a browser is who it is made for.
  if (asked.kind === 'unit' && isForeign(asked.userAgent ?? '', asked.clientLooksLikeBrowser))
    flags.push('not-like-a-unit')
  return flags
}

const isForeign = (userAgent: string, clientLooksLikeBrowser: boolean): boolean =>
  MACHINE_WORDS.test(userAgent) || (!clientLooksLikeBrowser && BROWSER_WORD.test(userAgent))
