// One request on a bare socket, and the answer to the byte: no library in between that would tidy it up.
import { once } from 'node:events'
import net from 'node:net'
import type { WireProbe } from './judge-public-url.js'

const ANSWER_MAX_BYTES = 64 * 1024
const WAIT_MS = 5000

export async function askRaw(to: { address: string; port: number }, request: string): Promise<WireProbe['outcome']> {
  const socket = net.connect({ host: to.address, port: to.port })
  let failed = ''
  socket.on('error', (error: NodeJS.ErrnoException) => {
    failed ||= error.code ?? 'unknown'
  })
  const timer = setTimeout(() => {
    failed ||= 'ETIMEDOUT'
    socket.destroy()
  }, WAIT_MS)
  const pieces: Buffer[] = []
  let bytes = 0
  let local: { address: string; port: number } | null = null
  socket.on('connect', () => {
    local = { address: socket.localAddress ?? '', port: socket.localPort ?? 0 }
    socket.write(request)
  })
  socket.on('data', (piece) => {
    pieces.push(piece)
    bytes += piece.length
    if (bytes > ANSWER_MAX_BYTES) socket.destroy()
  })
  await once(socket, 'close').catch(() => undefined)
  clearTimeout(timer)
  if (!local) return { kind: 'unreachable', code: failed || 'unknown' }
  const text = Buffer.concat(pieces).toString('latin1')
  const end = text.indexOf('\r\n\r\n')
  if (end < 0) return { kind: 'no-answer' }
  return { kind: 'answered', head: text.slice(0, end), bodyBytes: text.length - end - 4, local }
}

/** `Connection: close`: the answer ends with the connection, so nothing of it is missed. */
export const getRequest = (given: { path: string; host: string }): string =>
  `GET ${given.path} HTTP/1.1\r\nHost: ${given.host}\r\nConnection: close\r\n\r\n`
