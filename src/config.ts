// Settings are read here, once, at start. No other file touches process.env. Every setting has a default that works.
import path from 'node:path'
import { z } from 'zod'

export interface ListenAddress {
  host: string
  port: number
}

/** `host:port`, IPv6 hosts in brackets, port 0 = any free one. */
const listen = z.string().transform((text, context): ListenAddress => {
  const match = /^(?:\[([0-9a-fA-F:.]+)\]|([^:[\]]+)):(\d{1,5})$/.exec(text)
  const port = Number(match?.[3])
  if (!match || port > 65_535) {
    context.addIssue('must be host:port, for example 127.0.0.1:8081 or [::]:8080')
    return z.NEVER
  }
  return { host: (match[1] ?? match[2])!, port }
})

const publicUrl = z.string().transform((text, context): string | null => {
  if (text === '') return null
  const url = URL.canParse(text) ? new URL(text) : null
  if (
    !url ||
    !/^https?:$/.test(url.protocol) ||
    url.search ||
    url.hash ||
    url.username ||
    !/^\/*$/.test(url.pathname)
  ) {
    context.addIssue(
      'must be http://HOST or http://HOST:PORT, nothing behind it: cameras are sent links that begin with it',
    )
    return z.NEVER
  }
  return url.origin
})

const flag = z.enum(['true', 'false', '1', '0']).transform((text) => text === 'true' || text === '1')

const SETTINGS = z.strictObject({
  FIRMHAND_DATA: z.string().min(1).default('./data').describe('Folder of the database, the packages and the secret.'),
  FIRMHAND_PUBLIC_LISTEN: listen.prefault('[::]:8080').describe('Where cameras and platforms come in.'),
  FIRMHAND_OFFICE_LISTEN: listen.prefault('127.0.0.1:8081').describe('Where the API for people and scripts listens.'),
  FIRMHAND_PUBLIC_URL: publicUrl
    .prefault('')
    .describe('What links begin with, e.g. http://fw.example.com. Empty: tasks over the air are refused.'),
  FIRMHAND_BEHIND_PROXY: flag
    .prefault('false')
    .describe('true where anything between camera and server ends TCP: the ledger then claims "sent" only.'),
  FIRMHAND_TASK_DEADLINE_HOURS: z.coerce
    .number()
    .int()
    .min(1)
    .max(2160)
    .default(168)
    .describe('How long a task may take unless the issue says otherwise.'),
  FIRMHAND_LOG_LEVEL: z
    .enum(['fatal', 'error', 'warn', 'info', 'debug', 'silent'])
    .default('info')
    .describe('Log level.'),
})

export interface Config {
  dataFolder: string
  publicListen: ListenAddress
  officeListen: ListenAddress
  publicUrl: string | null
  behindProxy: boolean
  taskDeadlineHours: number
  logLevel: string
}

/** Names every wrong setting at once. */
export class ConfigError extends Error {
  readonly faults: string[]
  constructor(faults: string[]) {
    super(`Wrong settings:\n${faults.map((fault) => `  ${fault}`).join('\n')}`)
    this.name = 'ConfigError'
    this.faults = faults
  }
}

type Raw = Record<string, unknown>

/**
 * @param file the same keys from a JSON file; the environment wins over it. Numbers and booleans are taken as text.
 * @throws ConfigError naming every fault, unknown FIRMHAND_ keys of the file among them.
 */
export function readConfig(env: Record<string, string | undefined>, file: Raw = {}): Config {
  const fromEnv = Object.entries(env).filter(([key, value]) => key in SETTINGS.shape && value !== undefined)
  const fromFile = Object.entries(file).map(([key, value]) => [key, typeof value === 'object' ? value : String(value)])
  const { data, error } = SETTINGS.safeParse({ ...Object.fromEntries(fromFile), ...Object.fromEntries(fromEnv) })
  if (error) {
    throw new ConfigError(
      error.issues.flatMap((issue) =>
        issue.code === 'unrecognized_keys'
          ? issue.keys.map((key) => `${key}: there is no such setting`)
          : [`${issue.path.join('.')}: ${issue.message}`],
      ),
    )
  }
  return Object.freeze({
    dataFolder: path.resolve(data.FIRMHAND_DATA),
    publicListen: data.FIRMHAND_PUBLIC_LISTEN,
    officeListen: data.FIRMHAND_OFFICE_LISTEN,
    publicUrl: data.FIRMHAND_PUBLIC_URL,
    behindProxy: data.FIRMHAND_BEHIND_PROXY,
    taskDeadlineHours: data.FIRMHAND_TASK_DEADLINE_HOURS,
    logLevel: data.FIRMHAND_LOG_LEVEL,
  })
}

/** The settings with their defaults and meaning, for the docs and `serve --help`. */
export const SETTINGS_HELP = Object.entries(SETTINGS.shape).map(([name, schema]) => ({
  name,
  meaning: schema.description ?? '',
}))

/** What the command line needs to reach a running server. */
export function readClientConfig(env: Record<string, string | undefined>): { url: string; key: string | null } {
  return { url: env.FIRMHAND_URL ?? 'http://127.0.0.1:8081', key: env.FIRMHAND_KEY ?? null }
}
