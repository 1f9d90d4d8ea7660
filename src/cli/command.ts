// What every command gets and gives. Tests call commands with an io of their own.
import type { Clock } from '../clock.js'

export interface CommandIo {
  env: Record<string, string | undefined>
  /** Facts; with --json exactly one JSON value. */
  out: (text: string) => void
  /** For people: progress, failures and the next thing to try. */
  err: (text: string) => void
  /** Progress is shown on a terminal only. */
  isTerminal: boolean
  clock: Clock
}

export const EXIT = { ok: 0, failed: 1, usage: 2 } as const
export type ExitCode = (typeof EXIT)[keyof typeof EXIT]

export interface Context {
  io: CommandIo
  json: boolean
}

/** Prints a result: as one JSON value, or as lines for people. */
export function show(context: Context, value: unknown, lines: () => string[]): void {
  if (context.json) context.io.out(`${JSON.stringify(value)}\n`)
  else for (const line of lines()) context.io.out(`${line}\n`)
}

/** Columns of equal width, two blanks between. */
export function table(rows: readonly (readonly string[])[]): string[] {
  const widths = (rows[0] ?? []).map((_, column) => Math.max(...rows.map((row) => (row[column] ?? '').length)))
  return rows.map((row) =>
    row
      .map((cell, column) => cell.padEnd(widths[column]!))
      .join('  ')
      .trimEnd(),
  )
}
