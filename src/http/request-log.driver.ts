// The log as a request has it: with the request's id on every line. Made when the first line is written, since most requests
// write none and a child of the log costs as much as the check of a key.
import type { FastifyBaseLogger } from 'fastify'

type Level = 'fatal' | 'error' | 'warn' | 'info' | 'debug' | 'trace'
const LEVELS: readonly Level[] = ['fatal', 'error', 'warn', 'info', 'debug', 'trace']

class RequestLog {
  readonly #parent: FastifyBaseLogger
  readonly #bindings: Record<string, unknown>
  #own: FastifyBaseLogger | null = null

  constructor(parent: FastifyBaseLogger, bindings: Record<string, unknown>) {
    this.#parent = parent
    this.#bindings = bindings
  }

  get own(): FastifyBaseLogger {
    this.#own ??= this.#parent.child(this.#bindings)
    return this.#own
  }

  get level(): string {
    return this.#parent.level
  }

  get msgPrefix(): string {
    return ''
  }

  child(...given: Parameters<FastifyBaseLogger['child']>): FastifyBaseLogger {
    return this.own.child(...given)
  }

  silent(): void {}
}

for (const level of LEVELS) {
  Object.defineProperty(RequestLog.prototype, level, {
    value(this: RequestLog, ...line: Parameters<FastifyBaseLogger['info']>): void {
      this.own[level](...line)
    },
  })
}

export const requestLog = (parent: FastifyBaseLogger, bindings: Record<string, unknown>): FastifyBaseLogger =>
  new RequestLog(parent, bindings) as unknown as FastifyBaseLogger
