// Clients of the byte server that write what they receive to files. The files outlive every kill: no ledger may claim more
// than they show.
import { closeSync, mkdirSync, openSync, readFileSync, writeSync } from 'node:fs'
import net from 'node:net'
import path from 'node:path'
import { type KillRun, pick } from './kill-journal.js'
import { type Span, unite } from './spans.js'

/**
 * `resumes`: one connection, from the first gap to the end. `unread`: the same, and it sends what the server does not
 * read. `side-by-side`: three connections, a third each. `pieces`: small ranges, one after the other. `breaks`: leaves in the middle and comes back; what its TCP end has acknowledged by then may never reach its file, so that
 * only what is inferred of it can be held against the file.
 */
// Twice `unread`: it is the one that finds out a ledger that claims what was only sent.
const STYLES = ['resumes', 'unread', 'unread', 'side-by-side', 'pieces', 'breaks'] as const
const PIECE_BYTES = 150_000

/**
 * More blank lines than the server reads ahead. At the end of the process the kernel resets a connection that holds
 * unread bytes and throws its send queue away (RFC 2525 §2.17 describes it), in place of delivering it: a ledger that
 * claims bytes of that queue is found out.
 */
const UNREAD = '\r\n'.repeat(200_000)

export interface KillClient {
  style: (typeof STYLES)[number]
  linkId: string
  taskId: string | null
  url: string
  held: Span[]
  whole: boolean
  /** Until the file is whole or the server is gone; what is on its way by then is still read. */
  download(run: KillRun): Promise<void>
}

export function killClient(
  run: KillRun,
  of: { linkId: string; taskId: string | null; url: string },
  bytesPerMs: number,
): KillClient {
  const folder = path.join(run.served.folder, 'clients')
  mkdirSync(folder, { recursive: true })
  const file = path.join(folder, of.linkId)
  const sizeBytes = run.packages.bytes.length
  const client: KillClient = { ...of, style: pick(run.random, STYLES), held: [], whole: false, download }

  /** The first byte that is missing from `from` on, and the last of that gap. */
  function gapFrom(from: number, last: number): Span | null {
    let first = from
    for (const span of client.held) if (span[0] <= first && first <= span[1]) first = span[1] + 1
    if (first > last) return null
    const next = client.held.find((span) => span[0] > first)
    return [first, Math.min(last, next ? next[0] - 1 : last)]
  }

  async function download(now: KillRun): Promise<void> {
    const descriptor = openSync(file, 'a+')
    closeSync(descriptor)
    const target = openSync(file, 'r+')
    try {
      const third = Math.ceil(sizeBytes / 3)
      const parts: Span[] =
        client.style === 'side-by-side'
          ? [0, 1, 2].map((n): Span => [n * third, Math.min(sizeBytes, (n + 1) * third) - 1])
          : [[0, sizeBytes - 1]]
      await Promise.all(parts.map((part) => fill(now, target, part)))
    } finally {
      closeSync(target)
    }
    client.whole = gapFrom(0, sizeBytes - 1) === null
    const got = client.whole ? readFileSync(file) : now.packages.bytes
    if (!got.equals(now.packages.bytes)) {
      const at = got.findIndex((byte, index) => byte !== now.packages.bytes[index])
      now.faults.push(`${client.style}: the file of ${client.linkId} is not the package from ${at} on (${got.length})`)
    }
  }

  async function fill(now: KillRun, target: number, part: Span): Promise<void> {
    for (let gap = gapFrom(...part); gap !== null && !now.over; gap = gapFrom(...part)) {
      const end = await ask(now, target, gap)
      if (end === 'ended') return
      if (end === 'refused') {
        now.faults.push(`link ${client.linkId} was not served`)
        return
      }
    }
  }

  function ask(now: KillRun, target: number, [first, last]: Span): Promise<'more' | 'refused' | 'ended'> {
    const { port, pathname } = new URL(of.url)
    const breakAt = client.style === 'breaks' ? first + Math.floor(now.random() * (last - first)) : Infinity
    const until = client.style === 'pieces' ? Math.min(last, first + PIECE_BYTES - 1) : last
    // Open-ended where it goes to the end of the file: what a client that resumes sends.
    const range = until === sizeBytes - 1 ? `${first}-` : `${first}-${until}`
    const socket = net.connect({ port: Number(port), host: '127.0.0.1' })
    socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\nRange: bytes=${range}\r\n\r\n`)
    if (client.style === 'unread') socket.write(UNREAD)
    let head: Buffer | null = Buffer.alloc(0)
    let at = first
    let refused = false
    const take = (bytes: Buffer): void => {
      let body = bytes
      if (head) {
        head = Buffer.concat([head, bytes])
        const bodyAt = head.indexOf('\r\n\r\n') + 4
        if (bodyAt < 4) return
        refused = !/^HTTP\/1\.1 20[06] /.test(head.toString('latin1', 0, 16))
        body = head.subarray(bodyAt)
        head = null
      }
      // Behind the file stands the answer to what was sent too much.
      body = body.subarray(0, until + 1 - at)
      if (refused || body.length === 0) return
      writeSync(target, body, 0, body.length, at)
      client.held = unite([...client.held, [at, at + body.length - 1]])
      at += body.length
    }
    return new Promise((resolve) => {
      socket.on('error', () => undefined)
      socket.on('close', () => {
        if (!now.over && !refused && at <= until && at < breakAt) {
          now.faults.push(`a download of ${client.linkId} broke off at ${at} while the server ran`)
        }
        resolve(refused ? 'refused' : now.over ? 'ended' : 'more')
      })
      socket.on('data', (bytes) => {
        take(bytes)
        if (at > until || at >= breakAt || refused) return void socket.destroy()
        if (now.over) return
        socket.pause()
        // Not longer than the round: what is on its way at its end is read at once.
        const resumeAtMs = performance.now() + bytes.length / bytesPerMs
        const wait = (): void => {
          if (now.over || performance.now() >= resumeAtMs) socket.resume()
          else setTimeout(wait, Math.min(20, resumeAtMs - performance.now()))
        }
        wait()
      })
    })
  }

  return client
}
