// What a hold is: while one is open nothing goes out, so that after a restore no command is repeated and nothing is served
// that was revoked or withdrawn since the backup. Pure types and words.

/** What would go on at the release. Ledgers and reports are taken in all the while, so the numbers can only fall. */
export interface HeldNumbers {
  openTasks: number
  liveLinks: number
  /** Commands of open tasks that nobody has marked as sent, in this record. */
  unsentCommands: number
}

/** The backup that the record came from. */
export interface BackupOrigin {
  atMs: number
  head: { seq: number; hash: string }
}

export interface Hold {
  id: string
  cause: 'restore' | 'person'
  reason: string
  setAtMs: number
  setBy: string
  /** See the column: deadlines stand still from here to the release. */
  countsFromMs: number
  backup: BackupOrigin | null
  numbers: HeldNumbers
}

/** Part of the time in which nothing went out; null = it still lasts. */
export interface HoldSpan {
  id: string
  fromMs: number
  untilMs: number | null
}

const NUMBERS = ['openTasks', 'liveLinks', 'unsentCommands'] as const

/**
 * Whether somebody who names these numbers has seen what is held: no less than there is now, and no more than there ever
 * was. Units that report while a person reads make the numbers fall, and must not send that person back to start. (A clock
 * that is set back can make them rise again, as links come to life: what there is now is always a good answer.)
 */
export const isReviewed = (given: { named: HeldNumbers; now: HeldNumbers; atStart: HeldNumbers }): boolean =>
  NUMBERS.every((name) => {
    const [named, now, atStart] = [given.named[name], given.now[name], given.atStart[name]]
    return named >= now && named <= Math.max(now, atStart)
  })
