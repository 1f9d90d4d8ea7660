// Version strings as units report them, and the two rules by which a model's strings compare. Pure.
// The caller keeps the raw text: what a unit said goes into the record byte for byte.

/** The longest that is kept: a reply that was read wrongly would otherwise become a version of its own length. */
export const VERSION_CHARS_MAX = 128

export type VersionFault = 'version-empty' | 'version-too-long' | 'version-characters'

/** `listed`: the order is what the package list says, strings have none. `semver`: Semantic Versioning 2.0.0. */
export interface VersionRule {
  scheme: 'listed' | 'semver'
}

/** NULs (replies come padded with them) taken out, white space within made one space, none at the ends; case kept. */
export function normaliseVersion(text: string): string {
  return text.replaceAll('\0', '').replace(/\s+/g, ' ').trim()
}

/** What keeps a text from being a version at all; null = nothing. */
export function versionFault(text: string): VersionFault | null {
  const version = normaliseVersion(text)
  if (version === '') return 'version-empty'
  if (version.length > VERSION_CHARS_MAX) return 'version-too-long'
  // Control characters come from a reply read in the wrong coding; half a surrogate pair could not be recorded.
  return /[\u0000-\u001f\u007f-\u009f\ud800-\udfff]/u.test(version) ? 'version-characters' : null
}

export function sameVersion(a: string, b: string): boolean {
  return normaliseVersion(a) === normaliseVersion(b)
}

/** -1: a is older than b; 0: neither is; 1: a is newer; null: the rule does not tell. */
export function compareVersions(rule: VersionRule, a: string, b: string): -1 | 0 | 1 | null {
  if (rule.scheme === 'listed') return sameVersion(a, b) ? 0 : null
  const left = parseSemver(a)
  const right = parseSemver(b)
  if (!left || !right) return null
  return comparePrecedence(left, right)
}

export const isSemver = (text: string): boolean => parseSemver(text) !== null

// Written out, not taken from the npm package: that one accepts `v1.2.3` and blanks and hands back another text, refuses
// numbers beyond 2^53 that the standard allows, and takes identifiers beyond it for equal though they differ.

/** The expression that the standard itself publishes (semver.org, FAQ), build metadata not captured. */
const SEMVER =
  /^(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(?:-((?:0|[1-9]\d*|\d*[a-zA-Z-][0-9a-zA-Z-]*)(?:\.(?:0|[1-9]\d*|\d*[a-zA-Z-][0-9a-zA-Z-]*))*))?(?:\+[0-9a-zA-Z-]+(?:\.[0-9a-zA-Z-]+)*)?$/

interface Semver {
  core: string[]
  /** Empty = a release. */
  preRelease: string[]
}

function parseSemver(text: string): Semver | null {
  const match = text.length <= VERSION_CHARS_MAX ? SEMVER.exec(text) : null
  return match && { core: match.slice(1, 4) as string[], preRelease: match[4]?.split('.') ?? [] }
}

/** §11 of the standard: numbers of the core, then a release after its pre-releases, then identifier by identifier. */
function comparePrecedence(a: Semver, b: Semver): -1 | 0 | 1 {
  const core = compareLists(a.core, b.core)
  if (core !== 0) return core
  if (a.preRelease.length === 0 || b.preRelease.length === 0) {
    return order(a.preRelease.length === 0 ? 1 : 0, b.preRelease.length === 0 ? 1 : 0)
  }
  return compareLists(a.preRelease, b.preRelease)
}

function compareLists(a: string[], b: string[]): -1 | 0 | 1 {
  for (let i = 0; i < Math.min(a.length, b.length); i += 1) {
    const found = compareIdentifiers(a[i]!, b[i]!)
    if (found !== 0) return found
  }
  return order(a.length, b.length)
}

function compareIdentifiers(a: string, b: string): -1 | 0 | 1 {
  const aNumeric = /^\d+$/.test(a)
  const bNumeric = /^\d+$/.test(b)
  if (aNumeric !== bNumeric) return aNumeric ? -1 : 1
  // There are no leading zeros, so of two numbers the one with more digits is larger, however large.
  if (aNumeric && a.length !== b.length) return order(a.length, b.length)
  return order(a, b)
}

function order<T extends string | number>(a: T, b: T): -1 | 0 | 1 {
  if (a === b) return 0
  return a < b ? -1 : 1
}
