// Cameras that differ in what they say, or whether: after a text, after an installation, and of the time.
import type { Behaviour, VersionAnswer } from './behaviour.js'
import { bootsBack, healthy } from './behaviours.js'

/** Understands the text and does nothing of it; its old version is all that it ever says. */
export function refuses(): Behaviour {
  return { ...healthy(), name: 'refuses', onText: () => 'The supply is too low.' }
}

/** Says nothing any more once it has begun, though it installs as it should. */
export function neverAnswers(): Behaviour {
  let silent = false
  return {
    ...healthy(),
    name: 'never-answers',
    onText() {
      silent = true
      return null
    },
    reported: (version) => (silent ? null : version),
  }
}

/** Fetches nothing and calls itself upgraded from the moment of the text on. */
export function liesAboutVersion(options: { claims: string }): Behaviour {
  let lies = false
  return {
    ...healthy(),
    name: 'lies-about-version',
    onText() {
      lies = true
      return 'It takes itself for upgraded.'
    },
    reported: (version) => (lies ? options.claims : version),
  }
}

/** Has the file, says once that it runs what it is about to install, and comes up with the old version. */
export function claimsTooEarly(options: { claims: string }): Behaviour {
  let claims = false
  return {
    ...bootsBack(),
    name: 'claims-too-early',
    beforeInstall: async () => {
      claims = true
    },
    reported(version) {
      if (!claims) return version
      claims = false
      return options.claims
    },
  }
}

/** Its answers lie on the way until some are together; then they come twice each, the newest first. */
export function answersOutOfOrder(options: { heldBack: number }): Behaviour {
  const held: VersionAnswer[] = []
  let begun = false
  return {
    ...healthy(),
    name: 'answers-out-of-order',
    onText() {
      begun = true
      return null
    },
    passOn(answer) {
      if (!begun) return [answer]
      held.push(answer)
      if (held.length < options.heldBack) return []
      return held
        .splice(0)
        .reverse()
        .flatMap((late) => [late, late])
    },
  }
}

/** Its clock began at zero when it was switched on: no time of its own is true. */
export function clockAt1970(): Behaviour {
  let startMs: number | null = null
  return {
    ...healthy(),
    name: 'clock-at-1970',
    clockShows(nowMs) {
      startMs ??= nowMs
      return nowMs - startMs
    },
  }
}

/** For how long a camera that woke waits to be asked before it installs. */
const ASKED_MS_MAX = 5_000

/** Sleeps with the file on its disk until the ignition is switched on, says what it still runs, and installs then. */
export function installsAtIgnition(options: { parkedMs: number }): Behaviour {
  let asleep = false
  let asked = () => {}
  return {
    ...healthy(),
    name: 'installs-at-ignition',
    async beforeInstall({ wait, tell }) {
      tell('parked', 'The file is there; the ignition is off.')
      asleep = true
      await wait(options.parkedMs)
      asleep = false
      const wasAsked = new Promise<void>((resolve) => {
        asked = resolve
      })
      await Promise.race([wasAsked, wait(ASKED_MS_MAX)])
    },
    reported(version) {
      if (asleep) return null
      asked()
      return version
    },
  }
}
