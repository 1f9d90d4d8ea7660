// What people are warned of, whatever the model. Pure.
import type { Caution } from './profile.js'

/** The cautions of the product itself: before the issue, with each command, on each sheet. */
export const STANDING_CAUTIONS: readonly Caution[] = [
  {
    code: 'not-in-use',
    text: 'During installation the unit does not record and driver-assistance alerts may be off: not while the vehicle is in use.',
  },
  { code: 'stable-supply', text: 'Keep the supply stable throughout: do not switch off, do not unplug.' },
  {
    code: 'configuration',
    text: 'The upgrade may reset the configuration: note the settings before, compare them after.',
  },
  {
    code: 'local-rules',
    text: 'Local rules and the vehicle maker’s instructions come first; wiring is work for a qualified installer.',
  },
]
const BENCH_CAUTIONS: readonly Caution[] = [
  { code: 'polarity', text: 'At the bench: check polarity with a meter before plugging in, and fuse the supply.' },
]
export const PLAIN_HTTP_CAUTION: Caution = {
  code: 'plain-http',
  text: 'The link is plain HTTP: the file can be read and changed on its way. The unit’s own check and the version report are the proof.',
}

/** What is shown before tasks are issued: at the bench there is wiring to go wrong as well. */
export const cautionsBefore = (method: string): readonly Caution[] =>
  method === 'cable' ? [...STANDING_CAUTIONS, ...BENCH_CAUTIONS] : STANDING_CAUTIONS
