// The address by which the doctor asks the byte server who it sees. Only who holds the server's secret can make one, so
// nobody else learns anything by asking, and no link has it: the answer is an empty 404 like any other. Pure.
import { createHmac } from 'node:crypto'

/** Who the byte server sees, as `address:port` (IPv6 in brackets). */
export const PEER_FIELD = 'Firmhand-Peer'

const sign = (serverSecret: string, token: string): string =>
  createHmac('sha256', serverSecret).update(`doctor:${token}`).digest('hex').slice(0, 32) // 128 bits.

/** @param token 16 signs of the alphabet of links, new for each probe */
export const probePath = (serverSecret: string, token: string): string => `/d/${token}/${sign(serverSecret, token)}`

export function isProbe(serverSecret: string, asked: { token: string; fileName: string }): boolean {
  return asked.fileName === sign(serverSecret, asked.token)
}

/** IPv4 that came in by an IPv6 socket is IPv4. */
export function peerText(peer: { address: string; port: number }): string {
  const address = peer.address.replace(/^::ffff:(?=\d+\.)/, '')
  return address.includes(':') ? `[${address}]:${peer.port}` : `${address}:${peer.port}`
}
