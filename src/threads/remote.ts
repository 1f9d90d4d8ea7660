// Calls between threads: a service of the writing thread, seen from another one. Arguments and answers are plain values.
import type { MessagePort } from 'node:worker_threads'
import type { Work } from '../db/db.js'
import { AppError, type ProblemCode } from '../errors.js'

/** The same service without its first argument: the unit of work belongs to the writing thread. */
export type Remote<S> = {
  [K in keyof S]: S[K] extends (work: Work, ...args: infer A) => Promise<infer R> ? (...args: A) => Promise<R> : never
}

export interface Call {
  id: number
  service: string
  method: string
  args: unknown[]
}

export type Answer =
  | { id: number; ok: true; value: unknown }
  | {
      id: number
      ok: false
      problem: { code: ProblemCode; detail: string; extra: Record<string, unknown> } | null
      message: string
    }

/** The same error, fit to leave the thread by being thrown: errors of native libraries arrive without their words. */
export function portable(error: unknown): Error {
  if (!(error instanceof Error)) return new Error(String(error))
  const cause = error.cause instanceof Error ? error.cause.message : ''
  const plain = new Error(error.message.includes(cause) ? error.message : `${error.message} (${cause})`)
  if (error.stack !== undefined) plain.stack = error.stack
  return plain
}

/** Turns messages into calls of `handle` and its results into answers. */
export function serve(port: MessagePort, handle: (call: Call) => Promise<unknown>): void {
  port.on('message', (call: Call) => {
    handle(call).then(
      (value) => port.postMessage({ id: call.id, ok: true, value } satisfies Answer),
      (error: unknown) =>
        port.postMessage({
          id: call.id,
          ok: false,
          problem: error instanceof AppError ? { code: error.code, detail: error.message, extra: error.extra } : null,
          message: error instanceof Error ? (error.stack ?? error.message) : String(error),
        } satisfies Answer),
    )
  })
}

export interface Caller {
  service<S>(name: string): Remote<S>
  /** The thread itself, e.g. to stop it. */
  control<C>(): C
  /** Rejects everything open and all that follows: the other side is gone. */
  close(): void
}

export function caller(port: MessagePort): Caller {
  const open = new Map<number, { resolve: (value: unknown) => void; reject: (error: Error) => void }>()
  let count = 0
  let closed = false
  const gone = () => new AppError('not-ready', 'The server is stopping. Try again in a moment.')

  port.on('message', (answer: Answer) => {
    const waiting = open.get(answer.id)
    if (!waiting) return
    open.delete(answer.id)
    if (answer.ok) waiting.resolve(answer.value)
    else if (answer.problem)
      waiting.reject(new AppError(answer.problem.code, answer.problem.detail, answer.problem.extra))
    else waiting.reject(new Error(`The writing thread failed: ${answer.message}`))
  })
  const close = () => {
    closed = true
    for (const waiting of open.values()) waiting.reject(gone())
    open.clear()
  }
  port.on('close', close)

  function proxy<P extends object>(service: string): P {
    return new Proxy({} as P, {
      get:
        (_target, method) =>
        (...args: unknown[]) =>
          new Promise((resolve, reject) => {
            if (closed) return reject(gone())
            count += 1
            open.set(count, { resolve, reject })
            port.postMessage({ id: count, service, method: String(method), args } satisfies Call)
          }),
    })
  }

  return {
    close,
    service: <S>(name: string) => proxy<Remote<S> & object>(name),
    control: <C>() => proxy<C & object>('control'),
  }
}
