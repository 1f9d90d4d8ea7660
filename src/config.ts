// Settings are read here, once, at start. No other file touches process.env. Every setting has a default that works.
import path from 'node:path'
import { z } from 'zod'
import { ConfigError } from './errors.js'

/** Of the program; package.json says the same. */
export const VERSION = '0.1.0'

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

const flag = z
  .enum(['true', 'false', '1', '0'], 'must be true or false')
  .transform((text) => text === 'true' || text === '1')

const DEADLINE_HOURS_MAX = 2160 // 90 days: what has not happened by then needs a person, not a longer wait.
const HOURS_FAULT = `must be a whole number of hours from 1 to ${DEADLINE_HOURS_MAX}`
/** An hour: whoever waits longer for a stop has something else to look at. */
const STOP_GRACE_SECONDS_MAX = 3600
const GRACE_FAULT = `must be a whole number of seconds from 0 to ${STOP_GRACE_SECONDS_MAX}`
/** Ten years: beyond it the setting is a slip. */
const DAYS_MAX = 3650

/** @param daysMin the least that may be set besides 0 */
const days = (daysMin: number) => {
  const fault = `must be 0 (never) or a whole number of days from ${daysMin} to ${DAYS_MAX}`
  return z
    .string()
    .regex(/^\d{1,4}$/, fault)
    .transform(Number)
    .refine((count) => count === 0 || (count >= daysMin && count <= DAYS_MAX), fault)
}
/** A platform may send an old report again: as long as it does, the first one has to be there to tell. */
const KEEP_CHECKINS_DAYS_MIN = 30

const LOG_LEVELS = ['fatal', 'error', 'warn', 'info', 'debug', 'silent'] as const

const SETTINGS = z.strictObject({
  FIRMHAND_DATA: z
    .string()
    .min(1, 'must name a folder')
    .default('./data')
    .describe('Folder of the database, the packages and the secret.'),
  FIRMHAND_PUBLIC_LISTEN: listen.prefault('[::]:8080').describe('Where cameras and platforms come in.'),
  FIRMHAND_OFFICE_LISTEN: listen.prefault('127.0.0.1:8081').describe('Where the API for people and scripts listens.'),
  FIRMHAND_PUBLIC_URL: publicUrl
    .prefault('')
    .describe('What links begin with, e.g. http://fw.example.com. Empty: tasks over the air are refused.'),
  FIRMHAND_BEHIND_PROXY: flag
    .prefault('false')
    .describe('true where anything between camera and server ends TCP: the ledger then claims "sent" only.'),
  FIRMHAND_TASK_DEADLINE_HOURS: z
    .string()
    .regex(/^\d{1,4}$/, HOURS_FAULT)
    .transform(Number)
    .refine((hours) => hours >= 1 && hours <= DEADLINE_HOURS_MAX, HOURS_FAULT)
    .prefault('168')
    .describe('How long a task may take unless the issue says otherwise.'),
  FIRMHAND_STOP_GRACE_SECONDS: z
    .string()
    .regex(/^\d{1,4}$/, GRACE_FAULT)
    .transform(Number)
    .refine((seconds) => seconds <= STOP_GRACE_SECONDS_MAX, GRACE_FAULT)
    .prefault('30')
    .describe('How long a stop waits for running downloads; 0: not at all. A second signal ends the wait.'),
  FIRMHAND_METRICS_OPEN: flag
    .prefault('false')
    .describe('true: /metrics of the office listener needs no key. Else one that may read, e.g. an auditor’s.'),
  FIRMHAND_SCRUB_DAYS: days(1)
    .prefault('30')
    .describe('Stored packages are read back and checked once in so many days; 0: only when asked for.'),
  FIRMHAND_KEEP_TRIES_DAYS: days(1)
    .prefault('0')
    .describe('Single download tries of closed tasks are erased after so many days; 0: never.'),
  FIRMHAND_KEEP_CHECKINS_DAYS: days(KEEP_CHECKINS_DAYS_MIN)
    .prefault('0')
    .describe('Version reports of units without an open task are erased after so many days; 0: never.'),
  FIRMHAND_KEEP_LABELS_DAYS: days(1)
    .prefault('0')
    .describe('Personal data in the log is erased after so many days; 0: never.'),
  FIRMHAND_LOG_LEVEL: z
    .enum(LOG_LEVELS, `must be one of ${LOG_LEVELS.join(', ')}`)
    .default('info')
    .describe(`How much is logged: ${LOG_LEVELS.join(', ')}.`),
})

export interface Config {
  dataFolder: string
  publicListen: ListenAddress
  officeListen: ListenAddress
  publicUrl: string | null
  behindProxy: boolean
  taskDeadlineHours: number
  stopGraceMs: number
  metricsOpen: boolean
  logLevel: string
  scrubDays: number
  keep: { triesDays: number; checkinsDays: number; labelsDays: number }
}

/** Of the command line as a client; the server does not read them. */
const CLIENT_SETTINGS = ['FIRMHAND_URL', 'FIRMHAND_KEY']

type Raw = Record<string, unknown>

/**
 * @param file the same keys from a JSON file; the environment wins over it. Numbers and booleans are taken as text.
 * @throws ConfigError naming every fault. A setting that is written wrongly is one: without a word it would be as if it
 * had never been set, and the ledger might claim more than it may.
 */
export function readConfig(env: Record<string, string | undefined>, file: Raw = {}): Config {
  const fromEnv = Object.entries(env).filter(
    ([key, value]) => key.startsWith('FIRMHAND_') && !CLIENT_SETTINGS.includes(key) && value !== undefined,
  )
  const fromFile = Object.entries(file).map(([key, value]) => [key, typeof value === 'object' ? value : String(value)])
  const { data, error } = SETTINGS.safeParse({ ...Object.fromEntries(fromFile), ...Object.fromEntries(fromEnv) })
  if (error) {
    throw new ConfigError(
      error.issues.flatMap((issue) =>
        issue.code === 'unrecognized_keys'
          ? issue.keys.map((key) => ({ name: key, detail: 'there is no such setting' }))
          : [{ name: issue.path.join('.'), detail: issue.message }],
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
    stopGraceMs: data.FIRMHAND_STOP_GRACE_SECONDS * 1000,
    metricsOpen: data.FIRMHAND_METRICS_OPEN,
    logLevel: data.FIRMHAND_LOG_LEVEL,
    scrubDays: data.FIRMHAND_SCRUB_DAYS,
    keep: Object.freeze({
      triesDays: data.FIRMHAND_KEEP_TRIES_DAYS,
      checkinsDays: data.FIRMHAND_KEEP_CHECKINS_DAYS,
      labelsDays: data.FIRMHAND_KEEP_LABELS_DAYS,
    }),
  })
}

/** The settings with their defaults and meaning, for `serve --help`. */
export const SETTINGS_HELP = Object.entries(SETTINGS.shape).map(([name, schema]) => ({
  name,
  fallback: String(schema.def.defaultValue),
  meaning: schema.description ?? '',
}))
