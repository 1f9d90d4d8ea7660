// Which requests are downloads, and which token and file name they name: `/d/TOKEN/FILENAME`. Pure.
// Lenient in what costs nothing: letter case, percent-encoding, doubled slashes and absolute-form targets.

/** 16 signs without look-alikes, any letter case (domain.md, "Links"). */
const TOKEN = /^[23456789abcdefghjkmnpqrstuvwxyz]{16}$/

export interface DownloadPath {
  /** In lower case. */
  token: string
  /** Percent-decoded, as it came in. */
  fileName: string
}

/** Whether the byte server answers this target itself; everything else on the port belongs to others. */
export function isDownloadTarget(target: string): boolean {
  return segmentsOf(target)?.[0]?.toLowerCase() === 'd'
}

/** null = no link can have this address. */
export function readDownloadPath(target: string): DownloadPath | null {
  const segments = segmentsOf(target)
  if (segments?.length !== 3) return null
  const [, rawToken, fileName] = segments as [string, string, string]
  const token = rawToken.toLowerCase()
  return TOKEN.test(token) && fileName !== '' ? { token, fileName } : null
}

/** The profile's name to the letter, but a unit or a person may have changed the case on the way. */
export function sameFileName(names: { asked: string; wanted: string }): boolean {
  return names.asked.toLowerCase() === names.wanted.toLowerCase()
}

/** Path segments, decoded one by one so that an encoded slash stays inside its segment. At least two, else null. */
function segmentsOf(target: string): string[] | null {
  // RFC 9112 §3.2.2: a server must accept absolute-form; a carrier's proxy sends it. §3.2.1: a query is not the path.
  const path = target.replace(/^https?:\/\/[^/?#]*/i, '').replace(/[?#].*$/s, '')
  if (!path.startsWith('/')) return null
  const segments = path.replace(/^\/+/, '').split('/')
  return segments.length < 2 ? null : segments.map(decode)
}

function decode(segment: string): string {
  try {
    return decodeURIComponent(segment)
  } catch {
    return segment // A stray % is compared as it stands.
  }
}
