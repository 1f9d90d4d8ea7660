// How most cameras behave, and the first few that differ. Each call makes one for one camera: behaviours remember.
import type { Behaviour } from './behaviour.js'
import { downloadUsual, type Habits, PIECE_BYTES, USUAL_HABITS } from './download.js'

/** A damaged copy is fetched once more, as domain rule 10 knows it of units; then the camera waits for a new text. */
const TRIES_MAX = 2
const RETRY_AFTER_MS = 500
const STALL_TURN_MS = 3_600_000 // A stall waits in turns of an hour; switching the camera off ends the wait.

export function healthy(): Behaviour {
  return {
    name: 'healthy',
    download: (tools) => downloadUsual(tools, USUAL_HABITS),
    retryAfterMs: ({ code }, tries) =>
      (code === 'digest' || code === 'size') && tries < TRIES_MAX ? RETRY_AFTER_MS : null,
    onText: () => null,
    beforeInstall: async () => {},
    versionAfterRestart: ({ image }) => image,
    reported: (version) => version,
    clockShows: (nowMs) => nowMs,
    saysDigest: false,
    passOn: (answer) => [answer],
  }
}

/** Speaks HTTP/1.0 and sends no Host, as clients older than RFC 2068 do. */
export function http10WithoutHost(): Behaviour {
  const habits: Habits = { ...USUAL_HABITS, httpVersion: '1.0', sendsHost: false }
  return { ...healthy(), name: 'http10-without-host', download: (tools) => downloadUsual(tools, habits) }
}

/** Loses its connection when it holds so many bytes, and asks for the rest. */
export function dropsAndResumes(options: {
  dropAtBytes: readonly number[]
  precondition: Habits['precondition']
}): Behaviour {
  return {
    ...healthy(),
    name: 'drops-and-resumes',
    download(tools) {
      const drops = [...options.dropAtBytes].sort((a, b) => a - b)
      const take: Habits['take'] = (heldBytes) => {
        if (drops.length === 0) return PIECE_BYTES
        if (heldBytes < drops[0]!) return Math.min(PIECE_BYTES, drops[0]! - heldBytes)
        drops.shift()
        return 0
      }
      return downloadUsual(tools, { ...USUAL_HABITS, precondition: options.precondition, take })
    },
  }
}

/**
 * Stops reading and never comes back. With `powerLost` it answers no version query either; its socket looks the same
 * from afar, since the system under it goes on acknowledging until its buffers are full.
 */
export function stallsForGood(options: { stallAtByte: number; powerLost: boolean }): Behaviour {
  let off = false
  return {
    ...healthy(),
    name: 'stalls-for-good',
    download(tools) {
      const take: Habits['take'] = async (heldBytes) => {
        if (heldBytes < options.stallAtByte) return Math.min(PIECE_BYTES, options.stallAtByte - heldBytes)
        tools.tell('stalled', `${heldBytes} bytes held.`)
        off = options.powerLost
        for (;;) await tools.wait(STALL_TURN_MS)
      }
      return downloadUsual(tools, { ...USUAL_HABITS, take })
    },
    reported: (version) => (off ? null : version),
  }
}

/** Installs, finds the new system wanting at its first start, and comes up with the old one. */
export function bootsBack(): Behaviour {
  return { ...healthy(), name: 'boots-back', versionAfterRestart: ({ before }) => before }
}
