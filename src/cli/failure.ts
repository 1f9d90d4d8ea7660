// Whatever a command threw, as an exit code, a problem for scripts and lines for people. Pure.
import { CommanderError } from 'commander'
import { AppError, ConfigError } from '../errors.js'
import { problemOf } from '../http/problem-document.js'
import { ApiError, type Failure } from './api-client.js'
import { EXIT, type ExitCode } from './command.js'

/** Of a long list the first ones: the whole stands in the problem that --json prints. */
const LINES_MAX = 50

export function failureOf(error: unknown): { exit: ExitCode; problem: Failure; lines: string[] } {
  if (error instanceof CommanderError) {
    // Without a command, commander has printed the help; every other fault it has named.
    const named = error.code === 'commander.help'
    const detail = named ? 'Name a command; --help lists them.' : error.message.replace(/^error: /, '')
    return { exit: EXIT.usage, problem: local('usage', detail), lines: [] }
  }
  const problem = problemFor(error)
  const isUsage = error instanceof ConfigError
  return { exit: isUsage ? EXIT.usage : EXIT.failed, problem, lines: linesOf(problem) }
}

const TITLES: Record<string, string> = {
  usage: 'Wrong usage',
  'settings-wrong': 'Wrong settings',
  'file-unreadable': 'The file could not be read',
  failed: 'The command failed',
}

const local = (code: string, detail: string, extra: object = {}): Failure => ({
  ...extra,
  type: `/problems/${code}`,
  title: TITLES[code] ?? code,
  code,
  detail,
})

/** What the system says of files, in words. */
const FILE_FAULTS: Record<string, string> = {
  ENOENT: 'there is no such file',
  EACCES: 'this user may not read it',
  EISDIR: 'it is a folder',
  ENOTDIR: 'a part of its path is not a folder',
}

function problemFor(error: unknown): Failure {
  if (error instanceof ApiError) return error.problem
  if (error instanceof AppError) return problemOf(error, 'cli')
  if (error instanceof ConfigError) return settingsFailure(error)
  const { code, path, message } = error as NodeJS.ErrnoException
  const fault = FILE_FAULTS[code ?? '']
  return fault !== undefined && path !== undefined
    ? local('file-unreadable', `${path} cannot be read: ${fault}.`)
    : local('failed', message)
}

const settingsFailure = ({ faults }: ConfigError): Failure =>
  local('settings-wrong', faults.length === 1 ? 'A setting is wrong:' : `${faults.length} settings are wrong:`, {
    errors: faults.map(({ name, detail }) => ({ pointer: `/${name}`, detail })),
  })

function linesOf(problem: Failure): string[] {
  const { errors = [], skipped = [] } = problem as {
    errors?: { pointer: string; detail: string }[]
    skipped?: { unit: string; code: string; detail: string }[]
  }
  const more = [
    ...errors.map(({ pointer, detail }) => `  ${pointer.replace(/^\//, '')}: ${detail}`),
    ...skipped.map(({ unit, code, detail }) => `  skipped ${unit}: ${detail} (${code})`),
  ]
  const rest = more.length - LINES_MAX
  return [`firmhand: ${problem.detail}`, ...more.slice(0, LINES_MAX), ...(rest > 0 ? [`  and ${rest} more`] : [])]
}
