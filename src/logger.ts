// The log: JSON lines on stdout by pino. Secrets are cut out here, whatever a caller hands over.
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

export function createLogger(level: string, destination?: DestinationStream): Logger {
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
