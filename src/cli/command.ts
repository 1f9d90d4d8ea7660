// What every command gets and gives. Tests call commands with an io of their own.
import type { Clock } from '../clock.js'
import type { ApiClient } from './api-client.js'
import { printable, printableInLine } from './printable.js'

export interface CommandIo {
  env: Record<string, string | undefined>
  /** Facts; with --json exactly one JSON value. */
  out: (text: string) => void
  /** Resolves when what was put out has been taken: copies of any size pass without filling the memory. */
  drained: () => Promise<void>
  /** For people: progress, failures and the next thing to try. */
  err: (text: string) => void
  /** Progress is shown on a terminal only. */
  isTerminal: boolean
  clock: Clock
}

/** 0 done; 1 failed, refused, not intact or not all done; 2 wrong usage or wrong settings. */
export const EXIT = { ok: 0, failed: 1, usage: 2 } as const
export type ExitCode = (typeof EXIT)[keyof typeof EXIT]

export interface Run {
  io: CommandIo
  /** The API with the settings of this shell; made when it is needed. */
  api: () => ApiClient
  json: () => boolean
  /** A command says how it ended; without a word it is 0. */
  end: (code: ExitCode) => void
}

/** Prints a result: as one JSON value, or as lines for people. */
export function show(run: Run, value: unknown, lines: () => string[]): void {
  if (run.json()) run.io.out(`${JSON.stringify(value)}\n`)
  else for (const line of lines()) run.io.out(`${printable(line)}\n`)
}

/** Columns of equal width, two blanks between. */
export function table(given: readonly (readonly string[])[]): string[] {
  const rows = given.map((row) => row.map(printableInLine))
  const widths = (rows[0] ?? []).map((_, column) => Math.max(...rows.map((row) => (row[column] ?? '').length)))
  return rows.map((row) =>
    row
      .map((cell, column) => cell.padEnd(widths[column]!))
      .join('  ')
      .trimEnd(),
  )
}

/** 12,582,912: a number that a person compares with another one. */
export const grouped = (bytes: number): string => String(bytes).replace(/\B(?=(\d{3})+$)/g, ',')

/** A comma-separated option. */
export const listOf = (text: string): string[] =>
  text
    .split(',')
    .map((part) => part.trim())
    .filter((part) => part !== '')
