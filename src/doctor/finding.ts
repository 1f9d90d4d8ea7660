// What the doctor says: one sentence per finding, with a grade and what to do. Pure.

export const GRADES = ['ok', 'unknown', 'caution', 'fault'] as const
export type Grade = (typeof GRADES)[number]

export interface Finding {
  /** Stays the same from release to release: scripts look for it. */
  check: string
  grade: Grade
  text: string
  /** What to do; null where nothing is to be done. */
  remedy: string | null
}

export const ok = (check: string, text: string): Finding => ({ check, grade: 'ok', text, remedy: null })
export const unknown = (check: string, text: string, remedy: string | null = null): Finding => ({
  check,
  grade: 'unknown',
  text,
  remedy,
})
export const caution = (check: string, text: string, remedy: string): Finding => ({
  check,
  grade: 'caution',
  text,
  remedy,
})
export const fault = (check: string, text: string, remedy: string): Finding => ({ check, grade: 'fault', text, remedy })

const MIB = 1024 * 1024

export const mib = (bytes: number): string =>
  bytes >= 1024 * MIB ? `${(bytes / (1024 * MIB)).toFixed(1)} GiB` : `${Math.round(bytes / MIB)} MiB`
