// Bounds of the byte server: what one client, one link and all of them may hold. Pure. Nothing here limits how slow or how
// long a download may be: a unit behind a serial line needs hours, and one that flashes as it reads pauses for minutes.

export interface DownloadLimits {
  /** From the first byte of a head (or the accept) to its end. */
  headMs: number
  /** Between two requests on one connection. */
  idleMs: number
  /** From our FIN to the client's; what it still sends is read and dropped, since unread bytes would turn FIN into RST. */
  lingerMs: number
  /** Sockets in all, those that others answer included. */
  connectionsMax: number
  connectionsPerLinkMax: number
  /** A connection of a link at its limit gives way to a new one when nothing moved on it for so long. */
  staleMs: number
  /** Bytes read ahead of the request being answered; then reading pauses. */
  pipelinedBytesMax: number
}

export const DOWNLOAD_LIMITS: Readonly<DownloadLimits> = {
  headMs: 120_000,
  idleMs: 600_000,
  lingerMs: 30_000,
  // Common limit of open files: 20,000. Files, the office side and what is being closed need room beside these.
  connectionsMax: 12_000,
  // Segmenting clients use up to 8 (field habit); what a unit left behind in dead spots lingers for 15 min in TCP.
  connectionsPerLinkMax: 32,
  staleMs: 60_000,
  pipelinedBytesMax: 64 * 1024,
}
