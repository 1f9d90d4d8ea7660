// The walk: one fact after the other, in order of observation, moves a task or does not. Pure. Ruled by the task states
// and rules 1 to 10 of the domain.
import { noteAfterwards } from './afterwards.js'
import { type Course, close, type Evidence, holdsPath, isClosed, reach, readyAtMs } from './course.js'
import type { TaskTerms } from './facts.js'
import type { Checkin, Entry, Step } from './timeline.js'

const HEX_LENGTHS = { 64: 'sha256', 40: 'sha1', 32: 'md5', 8: 'crc32' } as const

/** The algorithm shows in the length; a digest of any other length says nothing. */
function digestMatches(terms: TaskTerms, digest: string): boolean | null {
  const algorithm = HEX_LENGTHS[digest.length as keyof typeof HEX_LENGTHS]
  return algorithm === undefined ? null : terms.digests[algorithm] === digest.toLowerCase()
}

function evidenceOf(entry: Entry): Evidence {
  const { atMs, step } = entry
  const base = { atMs, observedAtMs: null, by: null }
  switch (step.kind) {
    case 'complete':
      return { ...base, grade: step.grade, of: { kind: 'ledger', id: step.id } }
    case 'budget':
      return { ...base, grade: 'inferred', of: { kind: 'ledger', id: step.id } }
    case 'copied':
      return { ...base, grade: 'copy', of: { kind: 'copied', id: step.id } }
    case 'checkin':
    case 'reply':
      return { ...base, observedAtMs: step.observedAtMs, grade: 'reported', of: { kind: step.kind, id: step.id } }
    case 'attest':
    case 'cancel':
    case 'supersede':
      return { ...base, grade: 'person', of: { kind: step.kind, id: step.id }, by: step.by }
    case 'withdrawn':
      return { ...base, grade: 'person', of: { kind: 'withdrawn', id: step.id } }
    case 'conflict':
      throw new Error('a conflict of versions is evidence of nothing')
  }
}

/** The unit ran the target before the issue: a forced re-installation. */
const isReinstallation = (course: Course): boolean => course.terms.forced && course.fromVersion === course.terms.target

/**
 * Whether a target report shows that the package was applied. In a re-installation the unit reports the target before,
 * during and after: only a report from when the installation must be over counts, flagged `same-version`.
 */
function showsTarget(course: Course, checkin: Checkin): boolean {
  if (checkin.version !== course.terms.target) return false
  if (course.state === 'applied' || !isReinstallation(course)) return true
  const readyMs = readyAtMs(course)
  return readyMs !== null && checkin.observedAtMs > readyMs + course.terms.installMs
}

/** Domain rule 3: how a further target report must be timed to confirm. */
function confirms(course: Course, checkin: Checkin): boolean {
  const firstAtMs = course.moves.at(-1)!.atMs
  const soakedAtMs = firstAtMs + course.terms.soakMs
  if (checkin.observedAtMs <= firstAtMs) return false
  if (checkin.timing === 'stated') return checkin.observedAtMs >= soakedAtMs
  if (checkin.timing === 'clock') return false
  const askedAtMs = checkin.answersQuerySentAtMs
  // An answer that came before its query would be no answer to it.
  return askedAtMs !== null && askedAtMs >= soakedAtMs && checkin.observedAtMs >= askedAtMs
}

function onTarget(course: Course, checkin: Checkin, evidence: Evidence): void {
  course.targetSources.add(checkin.source)
  if (course.state === 'applied') {
    if (confirms(course, checkin)) reach(course, 'confirmed', evidence)
    return
  }
  const { firstAskedAtMs, acknowledgedBytes, complete, perhapsWhole } = course.signs
  const nothingFetched =
    firstAskedAtMs === null || firstAskedAtMs > evidence.atMs || (acknowledgedBytes === 0 && !complete && !perhapsWhole)
  if (course.terms.method === 'air' && nothingFetched) course.flags.add('not-by-this-link')
  // Also where another version was reported since: of all that count as old only that from before the issue can be it.
  if (course.oldVersions.has(course.terms.target)) course.flags.add('same-version')
  reach(course, 'applied', evidence)
}

/**
 * Neither the target nor anything known from before is `unexpected`. Where no version is known from before, the first
 * one that is reported after the fetch is taken for the old one: to fail a unit for a version that it may have had all
 * along would be a guess.
 */
function isOld(course: Course, version: string): boolean {
  if (course.oldVersions.has(version) || course.terms.earlierTargets.includes(version)) return true
  if (course.oldVersions.size > 0) return false
  course.oldVersions.add(version)
  course.flags.add('from-version-unknown')
  return true
}

/** Before fetched: a version that nobody knew of sets fromVersion, and the path is checked again (rules 4 and 5). */
function setFromVersion(course: Course, version: string, evidence: Evidence): void {
  const { fromVersion, terms } = course
  if (fromVersion !== null && (version === fromVersion || terms.earlierTargets.includes(version))) {
    // Perhaps a value from a cache, so it ends nothing; but if it is true, the package must not be installed over it.
    if (!holdsPath(terms, version)) course.flags.add('path-not-allowed')
    return
  }
  course.fromVersion = version
  course.oldVersions.add(version)
  if (!holdsPath(terms, version)) close(course, { state: 'failed', reason: 'path-not-allowed' }, evidence)
}

/** Domain rule 5. A target report anywhere later in the facts shows that it was applied after all. */
function onOldBeforeApplied(course: Course, evidence: Evidence, targetLater: boolean): void {
  course.oldAtMs.push(evidence.atMs)
  const readyMs = readyAtMs(course)
  if (readyMs === null || targetLater) return
  const firstAtMs = course.oldAtMs.find((atMs) => atMs > readyMs + course.terms.installMs)
  // Reports of one instant are one observation, however small the profile sets the distance.
  if (firstAtMs !== undefined && evidence.atMs - firstAtMs >= Math.max(course.terms.reportsApartMs, 1))
    close(course, { state: 'failed', reason: 'not-applied' }, evidence)
}

/** A version that a technician read at the unit (checkins/checkin.service.ts). */
const AT_BENCH = 'bench'

/**
 * By hand, fetched says that the file lies with the technician: the unit, which goes on reporting its old version from
 * the road, has nothing to install yet. So another version before the copy was checked is one from before, and what
 * fails the job after it is what was read at the unit, not what a platform repeats.
 */
function onOtherByHand(course: Course, checkin: Checkin, evidence: Evidence, targetLater: boolean): void {
  const isAtBench = checkin.source === AT_BENCH
  if (course.state !== 'verified') {
    setFromVersion(course, checkin.version, evidence)
    if (isAtBench) course.oldAtMs.push(evidence.atMs)
  } else if (!isOld(course, checkin.version)) {
    close(course, { state: 'failed', reason: 'unexpected-version' }, evidence)
  } else if (isAtBench) onOldBeforeApplied(course, evidence, targetLater)
}

function onOtherVersion(course: Course, checkin: Checkin, evidence: Evidence, targetLater: boolean): void {
  if (course.terms.method !== 'air' && course.state !== 'applied') {
    onOtherByHand(course, checkin, evidence, targetLater)
  } else if (course.state === 'queued') {
    setFromVersion(course, checkin.version, evidence)
    if (!isClosed(course)) onOldBeforeApplied(course, evidence, targetLater)
  } else if (!isOld(course, checkin.version)) {
    close(course, { state: 'failed', reason: 'unexpected-version' }, evidence)
  } else if (course.state === 'applied') {
    course.oldSources.add(checkin.source)
    if (course.targetSources.has(checkin.source) || course.oldSources.size >= 2)
      close(course, { state: 'failed', reason: 'reverted' }, evidence)
  } else onOldBeforeApplied(course, evidence, targetLater)
}

/**
 * What the unit holds against what it should hold. With the target applied a mismatch ends nothing, it is flagged: the
 * unit runs the target by its own word, and the copy may be gone. In a re-installation a match before anything was
 * fetched may be the firmware that was there all along.
 */
function onDigest(course: Course, digest: string, evidence: Evidence, withTarget: boolean): void {
  const matches = digestMatches(course.terms, digest)
  if (matches === null) return
  if (matches) {
    if (!(isReinstallation(course) && course.state === 'queued')) reach(course, 'verified', evidence)
    return
  }
  course.flags.add('digest-mismatch')
  if (withTarget || course.state === 'applied') return
  course.mismatchesAtMs.add(evidence.atMs)
  if (course.mismatchesAtMs.size >= course.terms.damagedAfter)
    close(course, { state: 'failed', reason: 'damaged' }, evidence)
}

function onCheckin(course: Course, checkin: Checkin, evidence: Evidence, targetLater: boolean): void {
  if (checkin.timing === 'clock') course.flags.add('clock')
  course.lastReportAtMs = evidence.atMs
  const withTarget = showsTarget(course, checkin)
  if (checkin.digest !== null) onDigest(course, checkin.digest, evidence, withTarget)
  if (isClosed(course)) return
  if (withTarget) onTarget(course, checkin, evidence)
  else if (checkin.version !== course.terms.target) onOtherVersion(course, checkin, evidence, targetLater)
}

/** Domain rule 9: a person's word is never worth `applied`, and confirms only what a report applied. */
function onAttest(course: Course, step: Extract<Step, { kind: 'attest' }>, evidence: Evidence): void {
  if (step.state === 'failed') close(course, { state: 'failed', reason: step.reason ?? 'other' }, evidence)
  // A copy on a technician's computer that is not whole is what a damaged copy in the unit is: a try, then an exit.
  else if (step.digest && digestMatches(course.terms, step.digest) === false)
    onDigest(course, step.digest, evidence, false)
  else if (step.state !== 'confirmed') reach(course, step.state, evidence)
  else if (course.state === 'applied') reach(course, 'confirmed', evidence)
}

function onStep(course: Course, entry: Entry, lastTargetAtMs: number): void {
  const { step } = entry
  if (step.kind === 'conflict') {
    course.flags.add('versions-conflict')
    return
  }
  const evidence = evidenceOf(entry)
  const isAir = course.terms.method === 'air'
  switch (step.kind) {
    case 'complete':
      // By hand the link went to a technician's computer: whoever counted the bytes, it is a copy.
      reach(course, 'fetched', isAir ? evidence : { ...evidence, grade: 'copy' })
      break
    case 'copied':
      if (!isAir) reach(course, 'fetched', evidence)
      break
    case 'reply':
      if (step.meaning === 'fetched') reach(course, 'fetched', evidence)
      else if (step.meaning === 'checked') reach(course, 'verified', evidence)
      // A unit that runs the target refuses it when it is sent again.
      else if (course.state !== 'applied') close(course, { state: 'failed', reason: 'refused' }, evidence)
      break
    case 'checkin':
      onCheckin(course, step, evidence, lastTargetAtMs > entry.atMs)
      break
    case 'attest':
      onAttest(course, step, evidence)
      break
    case 'budget':
      // A loop is a unit that never gets done. Where the file arrived, be it that the last bytes were acknowledged only
      // after the budget was gone, nothing is lost; and a copy link serves computers, which do not loop.
      if (isAir && course.state === 'queued' && !course.signs.complete)
        close(course, { state: 'failed', reason: 'fetch-loop' }, evidence)
      else course.flags.add('budget-spent')
      break
    case 'withdrawn':
      if (course.state === 'queued') close(course, { state: 'cancelled', reason: 'package-withdrawn' }, evidence)
      else course.flags.add('package-withdrawn')
      break
    case 'cancel':
      close(course, { state: 'cancelled', reason: step.reason ?? 'person' }, evidence)
      break
    case 'supersede':
      close(course, { state: 'superseded', reason: 'newer-task' }, evidence)
      break
  }
}

/** Walks the entries until one closes the task; the version reports after it go to `afterwards`. */
export function walk(course: Course, entries: readonly Entry[]): void {
  const lastTargetAtMs = entries.reduce(
    (last, { atMs, step }) =>
      step.kind === 'checkin' && step.version === course.terms.target ? Math.max(last, atMs) : last,
    -Infinity,
  )
  for (const entry of entries) {
    if (isClosed(course)) noteAfterwards(course, entry)
    else onStep(course, entry, lastTargetAtMs)
  }
}
