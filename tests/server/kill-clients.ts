// Clients of the byte server that write what they receive to files. The files outlive every kill: no ledger may claim more
// than they show.
import type { ChildProcess } from 'node:child_process'
import { once } from 'node:events'
import { closeSync, mkdirSync, openSync, readFileSync, writeSync } from 'node:fs'
import net from 'node:net'
import path from 'node:path'
import { type KillRun, pick } from './kill-journal.js'
import { type Span, unite } from './spans.js'

/**
 * `resumes`: one connection, from the first gap to the end. `unread`: the same, and it sends what the server does not
 * read. `side-by-side`: three connections, a third each. `pieces`: small ranges, one after the other. `breaks`: leaves in the
 * middle and comes back; what its TCP end has acknowledged by then may never reach its file, so that only what is
 * inferred of it can be held against the file. `withholds`: asks for a piece that fits into the server's send queue, sends
 * what the server does not read, and reads no more than the beginning before the process is gone: what it finds then is
 * what had arrived, and the rest of the piece never will.
 */
// Twice `unread`: with `withholds` it is the one that finds out a ledger that claims what was only sent.
type Style = (typeof STYLES)[number] | 'withholds'
const STYLES = ['resumes', 'unread', 'unread', 'side-by-side', 'pieces', 'breaks'] as const
const PIECE_BYTES = 150_000
/** Several times the first window of a receiver (64 KiB on Linux), and far below what a sender's queue takes. */
const WITHHELD_BYTES = 600_000
/** Reading more at once widens the window, on the loopback to megabytes: then all of the piece would arrive. */
const SIP_BYTES = 1024

/**
 * More blank lines than the server reads ahead. At the end of the process the kernel resets a connection that holds
 * unread bytes and throws its send queue away (RFC 2525 §2.17 describes it), in place of delivering it: a ledger that
 * claims bytes of that queue is found out.
 */
const UNREAD = '\r\n'.repeat(200_000)

export interface KillClient {
  style: Style
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
  how: { bytesPerMs: number; style?: Style },
): KillClient {
  const { bytesPerMs, style = pick(run.random, STYLES) } = how
  const folder = path.join(run.served.folder, 'clients')
  mkdirSync(folder, { recursive: true })
  const file = path.join(folder, of.linkId)
  const sizeBytes = run.packages.bytes.length
  const client: KillClient = { ...of, style, held: [], whole: false, download }

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
        style === 'side-by-side'
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
      now.faults.push(`${style}: the file of ${client.linkId} is not the package from ${at} on (${got.length})`)
    }
  }

  async function fill(now: KillRun, target: number, part: Span): Promise<void> {
    for (let gap = gapFrom(...part); gap !== null && !now.over; gap = gapFrom(...part)) {
      const end = await ask(now, target, gap)
      if (end === 'ended') return
      if (end !== 'more') {
        now.faults.push(`${style}: link ${client.linkId} was not served: ${end} ${saidOf(now)}`)
        return
      }
    }
  }

  /** What the server's log has on this link. */
  function saidOf(now: KillRun): string {
    const lines = now.served.output().split('\n')
    return lines.filter((line) => line.includes(client.linkId)).join(' ')
  }

  /** Gives the status line where it is a refusal. */
  function ask(now: KillRun, target: number, [first, last]: Span): Promise<string> {
    const { port, pathname } = new URL(of.url)
    const breakAt = style === 'breaks' ? first + Math.floor(now.random() * (last - first)) : Infinity
    const pieceBytes = { pieces: PIECE_BYTES, withholds: WITHHELD_BYTES }[style as string] ?? Infinity
    const until = Math.min(last, first + pieceBytes - 1)
    // Open-ended where it goes to the end of the file: what a client that resumes sends.
    const range = until === sizeBytes - 1 ? `${first}-` : `${first}-${until}`
    const onread = { buffer: Buffer.alloc(SIP_BYTES), callback: sip }
    const socket = net.connect({ port: Number(port), host: '127.0.0.1', ...(style === 'withholds' && { onread }) })
    socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\nRange: bytes=${range}\r\n\r\n`)
    // With an answer under way that no queue takes whole, the server reads no further, whatever it believes of the first.
    if (style === 'withholds') socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\n\r\n`)
    if (style === 'unread' || style === 'withholds') socket.write(UNREAD)
    let head: Buffer | null = Buffer.alloc(0)
    let at = first
    let refused: string | null = null
    const take = (bytes: Buffer): void => {
      let body = bytes
      if (head) {
        head = Buffer.concat([head, bytes])
        const bodyAt = head.indexOf('\r\n\r\n') + 4
        if (bodyAt < 4) return
        const statusLine = head.toString('latin1', 0, head.indexOf('\r\n'))
        if (!/^HTTP\/1\.1 20[06] /.test(statusLine)) refused = statusLine
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
    /** The beginning; the rest once the process is gone. */
    function sip(size: number, buffer: Uint8Array): boolean {
      take(Buffer.from(buffer.subarray(0, size)))
      if (now.over) return true
      now.withheld += 1
      void ended(now.served.process).then(() => socket.resume())
      return false
    }
    return new Promise((resolve) => {
      socket.on('error', () => undefined)
      socket.on('close', () => {
        if (!now.over && !refused && at <= until && at < breakAt) {
          const what = `a download of ${client.linkId} broke off at ${at} while the server ran`
          now.faults.push(`${style}: ${what} ${saidOf(now)}`)
        }
        resolve(refused ?? (now.over ? 'ended' : 'more'))
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

async function ended(server: ChildProcess): Promise<void> {
  if (server.exitCode === null && server.signalCode === null) await once(server, 'exit')
}
