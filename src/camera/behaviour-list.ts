// The list by which a scenario names behaviours, with the options of each and their bounds.
import {
  answersOutOfOrder,
  claimsTooEarly,
  clockAt1970,
  installsAtIgnition,
  liesAboutVersion,
  neverAnswers,
  refuses,
} from './answer-behaviours.js'
import type { Behaviour } from './behaviour.js'
import { bootsBack, dropsAndResumes, healthy, http10WithoutHost, stallsForGood } from './behaviours.js'
import {
  downloadsForEver,
  openedInABrowser,
  pausesToErase,
  readsSlowly,
  wrongDigestOnce,
} from './download-behaviours.js'
import type { JsonReader } from './json-reader.js'
import { headFirst, parallelRanges, smallPieces } from './ranged-behaviours.js'

/** Waits of a scenario are short; a longer one is a mistake in the file. */
const WAIT_MS_MAX = 60_000
const VERSION = /^[A-Za-z0-9.-]{1,64}$/
const anyByte = (reader: JsonReader) => reader.whole({ min: 1 })
const waitOf = (reader: JsonReader) => reader.whole({ min: 1, max: WAIT_MS_MAX })

const BY_NAME: Record<string, (options: JsonReader) => Behaviour> = {
  healthy,
  'http10-without-host': http10WithoutHost,
  'drops-and-resumes': (options) =>
    dropsAndResumes({
      dropAtBytes: options.list('dropAtBytes', anyByte),
      precondition: options.member('precondition').oneOf(['none', 'if-range', 'if-match']),
    }),
  'stalls-for-good': (options) =>
    stallsForGood({
      stallAtByte: anyByte(options.member('stallAtByte')),
      powerLost: options.member('powerLost').flag(),
    }),
  'boots-back': bootsBack,
  // 2 to 8 sockets: what segmenting clients are known to use (field habit).
  'parallel-ranges': (options) => parallelRanges({ sockets: options.member('sockets').whole({ min: 2, max: 8 }) }),
  'small-pieces': (options) =>
    smallPieces({ pieceBytes: options.member('pieceBytes').whole({ min: 512, max: 1_048_576 }) }),
  'head-first': headFirst,
  'reads-slowly': (options) =>
    readsSlowly({ bytesPerSecond: options.member('bytesPerSecond').whole({ min: 1_000, max: 100_000_000 }) }),
  'pauses-to-erase': (options) =>
    pausesToErase({
      pauseAtBytes: options.list('pauseAtBytes', anyByte),
      pauseMs: waitOf(options.member('pauseMs')),
    }),
  'downloads-for-ever': (options) => downloadsForEver({ failsAtByte: anyByte(options.member('failsAtByte')) }),
  'wrong-digest-once': (options) => wrongDigestOnce({ retryMs: waitOf(options.member('retryMs')) }),
  'opened-in-a-browser': (options) => openedInABrowser({ browserBytes: anyByte(options.member('browserBytes')) }),
  refuses,
  'never-answers': neverAnswers,
  'lies-about-version': (options) => liesAboutVersion({ claims: options.member('claims').text(VERSION) }),
  'claims-too-early': (options) => claimsTooEarly({ claims: options.member('claims').text(VERSION) }),
  'answers-out-of-order': (options) =>
    answersOutOfOrder({ heldBack: options.member('heldBack').whole({ min: 2, max: 100 }) }),
  'clock-at-1970': clockAt1970,
  'installs-at-ignition': (options) => installsAtIgnition({ parkedMs: waitOf(options.member('parkedMs')) }),
}

/** The names that a scenario may use, in the order of the list. */
export const BEHAVIOUR_NAMES: readonly string[] = Object.keys(BY_NAME)

export function behaviourFrom(description: JsonReader): Behaviour {
  return BY_NAME[description.member('name').oneOf(BEHAVIOUR_NAMES)]!(description)
}
