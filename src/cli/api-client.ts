// The API as the command line uses it.
import { createReadStream } from 'node:fs'
import { stat } from 'node:fs/promises'
import { Readable } from 'node:stream'
import type { Problem } from '../http/problem-document.js'

/** A problem document, or what stands in for one where the server was not reached. */
export type Failure = Omit<Partial<Problem>, 'code' | 'detail'> & { code: string; detail: string }

/** A failure that came as a problem document, or that never reached the server. */
export class ApiError extends Error {
  readonly problem: Failure
  constructor(problem: Failure) {
    super(problem.detail)
    this.name = 'ApiError'
    this.problem = problem
  }
}

export interface ApiClient {
  get<T>(path: string): Promise<T>
  send<T>(method: 'POST' | 'PUT' | 'PATCH' | 'DELETE', path: string, body?: unknown): Promise<T>
  upload<T>(path: string, file: string, headers?: Record<string, string>): Promise<T>
  /** The body piece by piece, for copies of any size. */
  stream(path: string): Promise<AsyncIterable<Uint8Array>>
  /** All pages of a list. */
  all<T>(path: string): Promise<T[]>
}

const PAGE_LIMIT = 1000

export function apiClient(target: { url: string; key: string | null }): ApiClient {
  const base = `${target.url.replace(/\/+$/, '')}/api/v1`

  async function call(path: string, init: RequestInit & { duplex?: 'half' }): Promise<Response> {
    const headers = { ...(target.key !== null && { authorization: `Bearer ${target.key}` }), ...init.headers }
    let response: Response
    try {
      response = await fetch(base + path, { ...init, headers, redirect: 'error' })
    } catch (error) {
      throw unreachable(error)
    }
    if (response.ok) return response
    const text = await response.text()
    let problem: Partial<Failure> = {}
    try {
      problem = JSON.parse(text) as Failure
    } catch {
      // Not ours: something between here and the server answered.
    }
    if (problem.code === 'key-missing') {
      const what = target.key === null ? 'FIRMHAND_KEY is not set' : 'The key in FIRMHAND_KEY is not valid'
      problem.detail = `${what}: set it to a live key, as "firmhand init" or "firmhand key add" printed it.`
    }
    if (problem.code === 'route-unknown')
      problem.detail += ' Is FIRMHAND_URL the office address of a server of this version?'
    throw new ApiError({
      code: 'unexpected-answer',
      detail: `${target.url} answered ${response.status} and is perhaps not the office address: see FIRMHAND_URL.`,
      ...problem,
    })
  }

  const unreachable = (error: unknown): ApiError => {
    const cause = (error as Error).cause as NodeJS.ErrnoException | undefined
    const why = cause?.message || cause?.code || (error as Error).message
    return new ApiError({
      type: '/problems/server-unreachable',
      title: 'The server was not reached',
      code: 'server-unreachable',
      detail: `No answer from ${target.url} (${why}). Is the server running, and FIRMHAND_URL right?`,
    })
  }

  /** The body piece by piece; a copy that breaks off is named as one. */
  async function* pieces(body: AsyncIterable<Uint8Array>): AsyncGenerator<Uint8Array> {
    try {
      yield* body
    } catch (error) {
      throw new ApiError({
        code: 'answer-broken',
        detail: `The answer broke off (${(error as Error).message}): what came so far is not complete.`,
      })
    }
  }

  const value = async <T>(response: Response): Promise<T> =>
    response.status === 204 ? (null as T) : ((await response.json()) as T)

  const client: ApiClient = {
    get: async (path) => value(await call(path, {})),
    send: async (method, path, body) =>
      value(
        await call(path, {
          method,
          ...(body !== undefined && { body: JSON.stringify(body), headers: { 'content-type': 'application/json' } }),
        }),
      ),
    upload: async (path, file, headers = {}) => {
      const { size } = await stat(file)
      return value(
        await call(path, {
          method: 'POST',
          body: Readable.toWeb(createReadStream(file)) as RequestInit['body'],
          duplex: 'half',
          headers: { 'content-type': 'application/octet-stream', 'content-length': String(size), ...headers },
        }),
      )
    },
    stream: async (path) => pieces((await call(path, {})).body as unknown as AsyncIterable<Uint8Array>),
    all: async <T>(path: string) => {
      const join = path.includes('?') ? '&' : '?'
      const items: T[] = []
      for (let after: string | null = ''; after !== null; ) {
        const cursor: string = after === '' ? '' : `&after=${encodeURIComponent(after)}`
        const page: { items: T[]; next: string | null } = await client.get(`${path}${join}limit=${PAGE_LIMIT}${cursor}`)
        items.push(...page.items)
        after = page.next
      }
      return items
    },
  }
  return client
}
