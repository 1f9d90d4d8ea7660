// An error of ours as an RFC 9457 problem document. Pure, and without the web framework: the command line prints them too.
import { type AppError, PROBLEMS, type ProblemCode } from '../errors.js'

export interface Problem {
  type: string
  title: string
  status: number
  code: ProblemCode
  detail: string
  instance: string
  [extra: string]: unknown
}

export function problemOf(error: AppError, instance: string): Problem {
  const { status, title } = PROBLEMS[error.code]
  return {
    ...error.extra,
    type: `/problems/${error.code}`,
    title,
    status,
    code: error.code,
    detail: error.message,
    instance,
  }
}
