// Looks at the machine: limits, clock, kernel settings.
import { execFile } from 'node:child_process'
import { accessSync, constants, readFileSync } from 'node:fs'
import os from 'node:os'
import { promisify } from 'node:util'
import type { MachineFacts } from './judge-machine.js'

const COMMAND_MS = 3000

export async function lookAtMachine(given: {
  pid: number | null
  nowMs: number
  newestAuditAtMs: number | null
}): Promise<MachineFacts> {
  const limit = (given.pid === null ? null : openFilesOf(String(given.pid))) ?? null
  const own = limit === null && given.pid === null ? openFilesOf('self') : null
  return {
    platform: process.platform,
    nodeVersion: process.version,
    timeZones: knowsTimeZones(),
    nowMs: given.nowMs,
    newestAuditAtMs: given.newestAuditAtMs,
    clockSynchronised: await isSynchronised(),
    openFiles: limit !== null ? { limit, of: 'server' } : own !== null ? { limit: own, of: 'shell' } : null,
    sendBufferMaxBytes: sendBufferMax(),
    memoryBytes: os.totalmem(),
    kernelTable: process.platform === 'linux' && canRead('/proc/net/tcp'),
  }
}

/** The soft limit; proc(5). */
function openFilesOf(pid: string): number | null {
  const text = read(`/proc/${pid}/limits`)
  const limit = /^Max open files +(\d+|unlimited)/m.exec(text ?? '')?.[1]
  return limit === undefined ? null : limit === 'unlimited' ? Number.MAX_SAFE_INTEGER : Number(limit)
}

function knowsTimeZones(): boolean {
  try {
    // Both sides of a change of the clocks: without the data there is one offset for the whole year.
    const hour = (month: number) =>
      new Intl.DateTimeFormat('en', { timeZone: 'Europe/Berlin', hour: 'numeric', hourCycle: 'h23' }).format(
        Date.UTC(2024, month, 1, 12),
      )
    return hour(0) === '13' && hour(6) === '14'
  } catch {
    return false
  }
}

/** The kernel's own word (adjtimex) is out of Node's reach: timedatectl tells it where it is there. */
async function isSynchronised(): Promise<boolean | null> {
  if (process.platform !== 'linux') return null
  try {
    const command = promisify(execFile)('timedatectl', ['show', '--property=NTPSynchronized', '--value'], {
      timeout: COMMAND_MS,
    })
    const said = (await command).stdout.trim()
    return said === 'yes' ? true : said === 'no' ? false : null
  } catch {
    return null
  }
}

function sendBufferMax(): number | null {
  const max = Number(read('/proc/sys/net/ipv4/tcp_wmem')?.trim().split(/\s+/)[2])
  return max > 0 ? max : null
}

function read(file: string): string | null {
  try {
    return readFileSync(file, 'utf8')
  } catch {
    return null
  }
}

function canRead(file: string): boolean {
  try {
    accessSync(file, constants.R_OK)
    return true
  } catch {
    return false
  }
}
