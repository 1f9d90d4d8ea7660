// What is known of one task: its terms, and the facts that came in. The input and output of derive(). Pure types.

export const TASK_STATES = ['queued', 'fetched', 'verified', 'applied', 'confirmed'] as const
export const TASK_EXITS = ['failed', 'cancelled', 'lapsed', 'superseded'] as const
export type OpenState = 'queued' | 'fetched' | 'verified' | 'applied'
export type TaskState = (typeof TASK_STATES)[number] | (typeof TASK_EXITS)[number]

export const METHODS = ['air', 'cable', 'card', 'hotspot'] as const
export type Method = (typeof METHODS)[number]

/** Exits that derive() finds by itself. */
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
  /** Issued although the unit already reported the target. */
  forced: boolean
  issuedAtMs: number
  deadlineMs: number
  /** Last version observed before the issue, as known at the issue; derive() finds it again from the facts. */
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
    }
  | { kind: 'cancel'; id: string; atMs: number; by: string }
  | { kind: 'supersede'; id: string; atMs: number; by: string }
  | { kind: 'withdrawn'; id: string; atMs: number }

export interface Move {
  state: TaskState
  /** When the evidence came about, ms; the order of moves. */
  atMs: number
  /** The observation behind it where it is a report; null for ledger, person and clock. */
  observedAtMs: number | null
  /** Stamped by a later state. */
  implied: boolean
  grade: Grade
  evidence: { kind: Fact['kind'] | 'deadline'; id: string }
  by: string | null
}

export interface Standing {
  grade: 'on-course' | 'late' | 'silent' | 'closed'
  sinceMs: number
  /** Likely cause and next step, in words for the operator. */
  cause: string | null
  next: string | null
}

export interface Afterwards {
  observedAtMs: number
  version: string
  /** e.g. `target-seen-later`, `target-again`, `old-version`, `other-version`. */
  meaning: string
}

export interface Derived {
  state: TaskState
  reason: string | null
  /** Set with confirmed and every exit. */
  closedAtMs: number | null
  fromVersion: string | null
  /** From `queued` on, in order of time. */
  moves: Move[]
  standing: Standing
  /** Sorted, without doubles: `not-by-this-link`, `clock`, `versions-conflict`, `package-withdrawn`, … */
  flags: string[]
  /** What came after the close. */
  afterwards: Afterwards[]
}
