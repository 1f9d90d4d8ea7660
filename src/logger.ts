// The log: JSON lines on stdout by pino. Secrets are cut out here, whatever a caller hands over.
import { writeSync } from 'node:fs'
import { type DestinationStream, type Logger, pino } from 'pino'

export type { Logger }

const HIDDEN = ['secret', 'token', 'key', 'password', 'authorization', 'cookie', 'csrf', 'set-cookie', 'url', 'text']
const REDACTED_PATHS = HIDDEN.flatMap((name) =>
  [name, `*.${name}`, `*.*.${name}`].map((path) => path.replace('set-cookie', '["set-cookie"]').replace('.[', '[')),
)

/**
 * Tokens in free text: the link path is the one place where a secret travels inside another string. The byte server reads
 * addresses in any letter case and percent-encoding, so whatever stands in the token's place is cut.
 */
const LINK_PATH = /\/(?:d|%[46]4)\/+[^\s/"\\?#]+/gi

/** `/d/TOKEN/…` becomes `/d/…/…`. */
export const maskLinks = (text: string): string => text.replace(LINK_PATH, '/d/…')

/** A pipe whose reader is slow takes nothing for a moment (EAGAIN): so often it is offered again, after so long. */
const OFFERS_MAX = 10
const OFFER_MS = 10

/**
 * The log may lie on the very disk that is full: a line that cannot be written is dropped, and the server goes on. (The
 * stock destination throws then, and at the end of the process tries for ever.)
 */
export function writeLine(descriptor: number, line: string): void {
  const bytes = Buffer.from(line)
  for (let written = 0, offers = 0; written < bytes.length && offers < OFFERS_MAX; ) {
    try {
      written += writeSync(descriptor, bytes, written)
    } catch (error) {
      if ((error as NodeJS.ErrnoException).code !== 'EAGAIN') return
      offers += 1
      Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, OFFER_MS)
    }
  }
}

const STDOUT: DestinationStream = { write: (line) => writeLine(1, line) }

export function createLogger(level: string, destination: DestinationStream = STDOUT): Logger {
  return pino(
    {
      level,
      base: null,
      timestamp: pino.stdTimeFunctions.isoTime,
      redact: { paths: REDACTED_PATHS, censor: '…' },
      hooks: {
        streamWrite: (line) => maskLinks(line),
      },
    },
    destination,
  )
}
