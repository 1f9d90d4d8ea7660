// What looks wrong about a file that somebody wants to give out as firmware. Pure: looks at its beginning and its facts.
import { compareVersions } from '../versions/version.js'

export interface Finding {
  /** `error` forbids the release, unless it can be accepted by name; `caution` and `info` are shown. */
  level: 'error' | 'caution' | 'info'
  code: string
  text: string
}

/** An empty file can never be an upgrade; a page might, once in a lifetime, be what a unit wants. */
export const NEVER_ACCEPTED = ['empty-file', 'damaged']

/** Found after the file was stored, by a check of the stored bytes; gone once the same bytes are uploaded again. */
export const DAMAGED: Finding = {
  level: 'error',
  code: 'damaged',
  text: 'The stored bytes are not those that were uploaded, so they are not given out. Upload the same file again, with the same model and version.',
}

const BOM = '\uFEFF'

/** The kind of text page that error answers and share links give in place of a file, by its first signs. */
function pageKind(beginning: Buffer): 'html-page' | 'json-page' | 'xml-page' | null {
  const text = beginning.toString('utf8').replace(BOM, '').trimStart().toLowerCase()
  if (/^<(!doctype html|html|head|body|title|script|!--)/.test(text)) return 'html-page'
  if (/^<(\?xml|error>)/.test(text)) return 'xml-page'
  // A JSON value begins like this; a binary image that happens to does not go on as text.
  if (/^[{[]\s*("|\{|\[|\]|\}|-?\d|true|false|null)/.test(text) && !/[\u0000-\u0008\uFFFD]/.test(text))
    return 'json-page'
  return null
}

export function findingsOf(file: {
  beginning: Buffer
  sizeBytes: number
  fileName: string
  version: string
  scheme: 'listed' | 'semver'
  /** Versions of the same model that are released. */
  releasedVersions: readonly string[]
  /** Other packages with the very same bytes. */
  twins: readonly { modelId: string; version: string }[]
}): Finding[] {
  const findings: Finding[] = []
  if (file.sizeBytes === 0) {
    findings.push({ level: 'error', code: 'empty-file', text: 'The file has no bytes.' })
  }
  const page = pageKind(file.beginning)
  if (page) {
    findings.push({
      level: 'error',
      code: page,
      text: 'The file begins like a web page or an error message, not like firmware: it was probably saved from a link that did not give the file.',
    })
  }
  if (file.fileName.includes('_')) {
    findings.push({
      level: 'caution',
      code: 'underscore-in-name',
      text: 'The file name holds an underscore: some SMS paths change it to another sign. Prefer a dash.',
    })
  }
  for (const twin of file.twins) {
    findings.push({
      level: 'caution',
      code: 'same-bytes',
      text: `The bytes are those of ${twin.modelId} ${twin.version}: was the right file taken?`,
    })
  }
  const newer = file.releasedVersions.filter(
    (other) => compareVersions({ scheme: file.scheme }, other, file.version) === 1,
  )
  if (newer.length > 0) {
    findings.push({
      level: 'caution',
      code: 'not-newest',
      text: `Newer versions are released already: ${newer.slice(0, 5).join(', ')}.`,
    })
  }
  return findings
}
