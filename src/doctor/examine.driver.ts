// Gathers all facts. Nothing is changed, and no address is asked but the listeners of this machine and the public address
// that is set.
import { randomInt } from 'node:crypto'
import { lookup } from 'node:dns/promises'
import { existsSync } from 'node:fs'
import net from 'node:net'
import os from 'node:os'
import path from 'node:path'
import { TOKEN_LENGTH, TOKEN_SIGNS } from '../access/secret.js'
import type { Clock } from '../clock.js'
import type { Config, ListenAddress } from '../config.js'
import { openSqlite } from '../db/sqlite.driver.js'
import { isLocked, lookAtFolder, readSecret } from './folder.driver.js'
import type { Facts } from './judge.js'
import type { DatabaseFacts } from './judge-database.js'
import type { ListenerFacts } from './judge-listeners.js'
import type { PublicUrlFacts, WireProbe } from './judge-public-url.js'
import { addressText, askListener, tryListen } from './listeners.driver.js'
import { lookAtMachine } from './machine.driver.js'
import { probePath } from './probe-path.js'
import { largestPackage, readDatabase, readPeers } from './record.store.js'
import { type RunningServer, readRunning } from './running-file.driver.js'
import { askRaw, getRequest } from './wire.driver.js'

/** Addresses of one name that are tried. */
const ADDRESSES_MAX = 8
const HTTP_PORT = 80

export async function examine(config: Config, clock: Clock): Promise<Facts> {
  const { dataFolder: folder, behindProxy } = config
  const locked = isLocked(folder)
  const running = locked ? readRunning(folder) : null
  const record = await readRecord(path.join(folder, 'firmhand.db'), clock())
  const publicUrl = await lookAtPublicUrl(config, { running, secret: readSecret(folder) })
  return {
    machine: await lookAtMachine({
      pid: running?.pid ?? null,
      nowMs: clock(),
      newestAuditAtMs: record.database.audit?.atMs ?? null,
    }),
    folder: await lookAtFolder(folder, {
      largestPackageBytes: record.largestPackageBytes,
      isRunning: locked === true,
    }),
    database: record.database,
    server: {
      isRunning: locked,
      pid: running?.pid ?? null,
      sameSettings:
        running === null ||
        (isSame(config.publicListen, running.publicAt) && isSame(config.officeListen, running.officeAt)),
    },
    listeners: [
      await lookAtListener('public', config.publicListen, { locked, running }),
      await lookAtListener('office', config.officeListen, { locked, running }),
    ],
    publicUrl,
    peers: record.peers && { ...record.peers, behindProxy, publicAddresses: publicUrl.addresses ?? [] },
  }
}

/** Port 0 means any, and [::] is 0.0.0.0 where there is no IPv6. */
const isSame = (set: ListenAddress, real: ListenAddress): boolean => set.port === 0 || set.port === real.port

async function lookAtListener(
  name: 'public' | 'office',
  set: ListenAddress,
  state: { locked: boolean | null; running: RunningServer | null },
): Promise<ListenerFacts> {
  const { locked, running } = state
  const real = running && (name === 'public' ? running.publicAt : running.officeAt)
  const at = real ?? set
  const facts = { name, setting: `FIRMHAND_${name.toUpperCase()}_LISTEN`, address: addressText(at), port: at.port }
  if (running) return { ...facts, outcome: await askListener(at, running.mark) }
  const outcome = await tryListen(at)
  // A server that has left no word may well be who holds it.
  const isOurs = locked === true && outcome.kind === 'taken'
  return { ...facts, outcome: isOurs ? { kind: 'this-server' } : outcome }
}

async function readRecord(
  file: string,
  nowMs: number,
): Promise<{
  database: DatabaseFacts
  largestPackageBytes: number | null
  peers: Pick<NonNullable<Facts['peers']>, 'links' | 'peers'> | null
}> {
  const none = { quickCheck: [], applied: [], known: [], audit: null }
  if (!existsSync(file)) return { database: { state: null, ...none }, largestPackageBytes: null, peers: null }
  try {
    const db = openSqlite(file, 'read')
    try {
      return {
        database: await readDatabase(db),
        largestPackageBytes: await largestPackage(db),
        peers: await readPeers(db, nowMs),
      }
    } finally {
      await db.destroy()
    }
  } catch (error) {
    const { message } = error as Error
    return {
      database: { state: { failed: message.replace(/\.$/, '') }, ...none },
      largestPackageBytes: null,
      peers: null,
    }
  }
}

async function lookAtPublicUrl(
  config: Config,
  given: { running: RunningServer | null; secret: string | null },
): Promise<PublicUrlFacts> {
  const { publicUrl: url, behindProxy } = config
  const { running, secret } = given
  const ownAddresses = Object.values(os.networkInterfaces()).flatMap((all) => (all ?? []).map(({ address }) => address))
  const base = { url, behindProxy, mark: running?.mark ?? null, ownAddresses }
  if (url === null) return { ...base, addresses: null, probes: [] }
  const { hostname, host, protocol, port } = new URL(url)
  const addresses = await resolve(hostname.replace(/^\[|\]$/g, ''))
  const probes: WireProbe[] = []
  // A TLS port would take no plain request: what could be said of it, its scheme says already.
  if (running && secret !== null && protocol === 'http:') {
    const at = Number(port) || HTTP_PORT
    for (const address of addresses ?? []) {
      const request = getRequest({ path: probePath(secret, newToken()), host })
      const outcome = await askRaw({ address, port: at }, request)
      probes.push({ family: net.isIPv6(address) ? 6 : 4, address, outcome })
    }
  }
  return { ...base, addresses, probes }
}

/** As programs of this machine resolve it; A and AAAA are both kept. */
async function resolve(hostname: string): Promise<string[] | null> {
  try {
    const found = await lookup(hostname, { all: true, verbatim: true })
    return [...new Set(found.map(({ address }) => address))].slice(0, ADDRESSES_MAX)
  } catch {
    return null
  }
}

const newToken = (): string =>
  Array.from({ length: TOKEN_LENGTH }, () => TOKEN_SIGNS[randomInt(TOKEN_SIGNS.length)]).join('')
