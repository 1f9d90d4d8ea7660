// What is said of one cell of a list: where it stands, what it holds, what is wrong and what to do. Pure.

export interface Finding {
  /** The line of the file at which the row begins. */
  line: number
  /** Our name of the column; null where the row or the file as a whole is meant. */
  column: string | null
  /** Shortened. */
  value: string
  /** Scripts rely on it; docs/unit-lists.md lists all. */
  code: string
  /** What to do. */
  detail: string
}
