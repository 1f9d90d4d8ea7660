// Asks or tries the addresses of both listeners.
import { readdirSync, readFileSync, readlinkSync } from 'node:fs'
import net from 'node:net'
import type { ListenAddress } from '../config.js'
import { START_FIELD } from '../http/health.routes.js'
import type { ListenerFacts } from './judge-listeners.js'
import { askRaw, getRequest } from './wire.driver.js'

/** Processes that are looked through for the one that holds a port. */
const PROCESSES_MAX = 5000
const LISTENS = '0A' // The state of a listening socket in /proc/net/tcp.

export const addressText = ({ host, port }: ListenAddress): string =>
  host.includes(':') ? `[${host}]:${port}` : `${host}:${port}`

/** A server that listens everywhere is asked on this machine's own address. */
export const ownWay = (host: string): string => (host === '::' || host === '0.0.0.0' ? '127.0.0.1' : host)

/** Whether what answers there shows the mark of this start. */
export async function askListener(at: ListenAddress, mark: string): Promise<ListenerFacts['outcome']> {
  const host = addressText(at)
  const outcome = await askRaw({ address: ownWay(at.host), port: at.port }, getRequest({ path: '/healthz', host }))
  if (outcome.kind === 'unreachable') return { kind: 'silent', reason: outcome.code }
  if (outcome.kind === 'no-answer') return { kind: 'silent', reason: 'no answer' }
  const shown = new RegExp(`^${START_FIELD}: *(\\S+)`, 'im').exec(outcome.head)?.[1]
  return { kind: shown === mark ? 'this-server' : 'stranger' }
}

/** Listens there for a moment. */
export async function tryListen(at: ListenAddress): Promise<ListenerFacts['outcome']> {
  const error = await listenOnce(at)
  // A machine without IPv6: the server takes all of IPv4 then, and so does the doctor.
  const noIpv6 = at.host === '::' && ['EAFNOSUPPORT', 'EADDRNOTAVAIL'].includes(error?.code ?? '')
  const final = noIpv6 ? await listenOnce({ ...at, host: '0.0.0.0' }) : error
  if (final === null) return { kind: 'free' }
  switch (final.code) {
    case 'EADDRINUSE':
      return { kind: 'taken', by: findHolder(at.port) }
    case 'EACCES':
      return { kind: 'not-allowed' }
    case 'EADDRNOTAVAIL':
      return { kind: 'no-such-address' }
    default:
      return { kind: 'failed', reason: final.message }
  }
}

function listenOnce({ host, port }: ListenAddress): Promise<NodeJS.ErrnoException | null> {
  return new Promise((resolve) => {
    const server = net.createServer()
    server.once('error', resolve)
    server.listen({ host, port }, () => server.close(() => resolve(null)))
  })
}

/** Name and number of the process that listens on the port, as far as this user may see: proc(5). */
function findHolder(port: number): string | null {
  try {
    const wanted = port.toString(16).toUpperCase().padStart(4, '0')
    const rows = ['/proc/net/tcp', '/proc/net/tcp6'].flatMap((file) => readFileSync(file, 'utf8').split('\n'))
    const sockets = rows
      .map((row) => row.trim().split(/\s+/))
      .filter((row) => row[1]?.endsWith(`:${wanted}`) && row[3] === LISTENS)
      .map((row) => `socket:[${row[9]}]`)
    const processes = readdirSync('/proc').filter((name) => /^\d+$/.test(name))
    for (const pid of processes.slice(0, PROCESSES_MAX)) {
      if (holdsAny(pid, sockets)) return `${readFileSync(`/proc/${pid}/comm`, 'utf8').trim()} (process ${pid})`
    }
  } catch {
    // Not Linux, or gone while it was looked at.
  }
  return null
}

function holdsAny(pid: string, sockets: readonly string[]): boolean {
  try {
    return readdirSync(`/proc/${pid}/fd`).some((fd) => sockets.includes(readlinkSync(`/proc/${pid}/fd/${fd}`)))
  } catch {
    return false // Another user's process.
  }
}
