// What is known of one task: its terms, and the facts that came in. The input and output of derive(). Pure types.

export const TASK_STATES = ['queued', 'fetched', 'verified', 'applied', 'confirmed'] as const
export const TASK_EXITS = ['failed', 'cancelled', 'lapsed', 'superseded'] as const
export type OpenState = 'queued' | 'fetched' | 'verified' | 'applied'
export type TaskState = (typeof TASK_STATES)[number] | (typeof TASK_EXITS)[number]
/** Of a filter: every state that is no end. */
export const OPEN = 'open'

export const METHODS = ['air', 'cable', 'card', 'hotspot'] as const
export type Method = (typeof METHODS)[number]

/** Reasons for `failed` that derive() finds by itself. */
export const FAILED_REASONS = [
  'not-applied',
  'reverted',
  'unexpected-version',
  'path-not-allowed',
  'fetch-stalled',
  'fetch-loop',
  'damaged',
  'refused',
  'no-answer',
] as const
/** Exits that only a person can state. */
export const ATTESTED_REASONS = ['no-life', 'wrong-variant', 'other'] as const

export type Grade = 'acknowledged' | 'inferred' | 'copy' | 'reported' | 'person'

export interface TaskTerms {
  id: string
  method: Method
  /** Versions are compared after normalising (versions/version.ts); terms and facts hold the normalised text. */
  target: string
  /** Versions the package may be installed over; null = any. */
  installsOver: string[] | null
  /** Force was asked for. Where the unit was on the target already, its reports of it need more behind them. */
  forced: boolean
  issuedAtMs: number
  /** For the first move: who issued the task. */
  issuedBy: string
  deadlineMs: number
  /** Targets of this unit's earlier tasks: a report of one of them is an old version, never an unexpected one. */
  earlierTargets: string[]
  installMs: number
  soakMs: number
  /** How far apart two old-version reports must lie to mean "not applied". */
  reportsApartMs: number
  /** How many digest mismatches are final. */
  damagedAfter: number
  /** Whether an inferred ledger may reach fetched. */
  inferredAllowed: boolean
  digests: { sha256: string; sha1: string; md5: string; crc32: string }
}

/** `stated`: observedAt came with it; `receipt`: it did not; `clock`: it did, and could not be true. */
export type Timing = 'stated' | 'receipt' | 'clock'

export type Fact =
  | {
      kind: 'checkin'
      id: string
      version: string
      /** For `receipt` and `clock` the time of receipt. */
      observedAtMs: number
      receivedAtMs: number
      source: string
      timing: Timing
      /** It answers a version query that we sent; then a receipt time is as good as a stated one. */
      answersQuerySentAtMs: number | null
      /** Lower-case hex of what the unit holds, any of the package's four algorithms; null = none given. */
      digest: string | null
    }
  /** Somebody or something is known to have sent the command. */
  | { kind: 'sent'; id: string; atMs: number; by: string }
  /** What the ledger of the task's link says, one fact for all of it. */
  | {
      kind: 'ledger'
      id: string
      /** First GET for the file, null = nothing asked yet. */
      firstAskedAtMs: number | null
      /** Last time a body byte was acknowledged or sent. */
      lastByteAtMs: number | null
      /** How many different bytes are acknowledged or inferred; null where the count cannot be read (proxy, other OS). */
      acknowledgedBytes: number | null
      /** Every byte was sent at least once, whatever became of it. For causes, never for a claim. */
      sentWhole: boolean
      completeAtMs: number | null
      completeGrade: 'acknowledged' | 'inferred' | null
      budgetSpentAtMs: number | null
    }
  /** The copy link of a hand task was read to the end. */
  | { kind: 'copied'; id: string; atMs: number }
  /** A reply that the model's profile could read. */
  | { kind: 'reply'; id: string; meaning: 'fetched' | 'checked' | 'refused'; observedAtMs: number }
  | {
      kind: 'attest'
      id: string
      atMs: number
      by: string
      state: 'fetched' | 'verified' | 'confirmed' | 'failed'
      reason: (typeof ATTESTED_REASONS)[number] | null
      /** With `verified`: what the technician’s computer computed of its copy, equal to the package’s or not. */
      digest?: string | null
    }
  /** `reason`: the person's own words. */
  | { kind: 'cancel'; id: string; atMs: number; by: string; reason: string | null }
  | { kind: 'supersede'; id: string; atMs: number; by: string }
  | { kind: 'withdrawn'; id: string; atMs: number }
  /** The whole server was on hold; null = it still is. Moves nothing: it stops the clock of the deadline. */
  | { kind: 'held'; id: string; fromMs: number; untilMs: number | null }

export interface Move {
  state: TaskState
  /** When the evidence came about, ms; the order of moves. */
  atMs: number
  /** The observation behind it where it is a report (check-in, reply); null for ledger, person and clock. */
  observedAtMs: number | null
  /** Stamped by a later state. */
  implied: boolean
  /** What the deadline or the byte budget ends is `inferred`: the server concluded it, nobody reported it. */
  grade: Grade
  /** For `issue` and `deadline` the id of the task. */
  evidence: { kind: Fact['kind'] | 'issue' | 'deadline'; id: string }
  by: string | null
}

export interface Standing {
  grade: 'on-course' | 'late' | 'silent' | 'closed'
  /** The last thing known of the step that is waited for: sent, asked, last byte, copy complete, report, close. */
  sinceMs: number
  /** Likely cause and next step, in words for the operator. */
  cause: string | null
  next: string | null
}

export interface Afterwards {
  observedAtMs: number
  version: string
  meaning: 'target-seen-later' | 'target-again' | 'old-version' | 'other-version'
}

export const TASK_FLAGS = [
  /** The target is reported although nothing had been fetched from the task's link. */
  'not-by-this-link',
  /** A check-in bore a time that cannot be true. */
  'clock',
  /** Two versions for one instant: neither counts. */
  'versions-conflict',
  /** Withdrawn while the unit may be installing. */
  'package-withdrawn',
  /** The byte budget ran out after the file had arrived. */
  'budget-spent',
  /** The unit or a person reported a digest that is not the package's. */
  'digest-mismatch',
  /** No version is known from before; the first one reported after fetched is taken for the old one. */
  'from-version-unknown',
  /** The unit ran the target before: its reports of it prove little. */
  'same-version',
  /** The last version before the issue, or an earlier target reported since, is none that the package installs over. */
  'path-not-allowed',
] as const
export type TaskFlag = (typeof TASK_FLAGS)[number]

export interface Derived {
  state: TaskState
  /**
   * Every exit has one. Beside those of `failed`: `package-withdrawn`, `person` or the person's own words for cancelled,
   * `deadline` for lapsed, `newer-task` for superseded.
   */
  reason: string | null
  /** Set with confirmed and every exit. */
  closedAtMs: number | null
  fromVersion: string | null
  /** From `queued` on, in order of time. */
  moves: Move[]
  standing: Standing
  /** Sorted, without doubles. */
  flags: TaskFlag[]
  /** Version reports observed after the close, in order of observation. */
  afterwards: Afterwards[]
}
