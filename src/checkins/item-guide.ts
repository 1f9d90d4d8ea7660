// What each code of a refused check-in means and what a platform does about it: for the API's document and the
// documents. Pure.
import type { Advice } from '../http/problem-guide.js'
import type { ItemCode } from './checkin.js'

export const ITEM_GUIDE: Record<ItemCode, Advice> = {
  'unit-unknown': {
    when: 'No unit has this name; nothing is stored of the report.',
    remedy: 'Tell the operator, or leave it out.',
  },
  'version-empty': {
    when: 'Nothing is left of the version, or it is no text.',
    remedy: 'Send what the unit said.',
  },
  'version-too-long': { when: 'The version is too long.', remedy: 'The reply was probably read wrongly.' },
  'time-invalid': { when: '`observedAt` is not RFC 3339.', remedy: 'Send `2026-01-12T08:30:00Z`.' },
  'digest-invalid': { when: 'The digest is not 64, 40, 32 or 8 hex digits.', remedy: 'Leave it out if unsure.' },
  'item-invalid': {
    when: 'The item is no object, its `id` or `note` is too long or no text, or a text holds control characters.',
    remedy: 'Correct it.',
  },
}
