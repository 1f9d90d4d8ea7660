// What a client sends on one socket, taken in order and piece by piece; bounded by pausing the socket.
import type { Socket } from 'node:net'
import type { Clock } from '../clock.js'

export interface Piece {
  bytes: Buffer
  arrivedAtMs: number
}

export interface Inbox {
  /** `ended`: the client sent its FIN, or the socket is gone. `late`: nothing came in time. */
  take(waitMs: number): Promise<Piece | 'ended' | 'late'>
  /** Puts back what belongs to the next request. */
  putBack(piece: Piece): void
  /** Whether the client has sent its FIN. That proves nothing: it may come right after the request. */
  readonly ended: boolean
  /** Reads on and drops all, up to a bound; then the socket is destroyed. */
  drop(): void
  /** Takes nothing more of the client: for whoever waits here it has ended, and what it still sends is dropped. */
  finish(): void
  /** Stops reading and lets go of the socket. Gives what was not taken. */
  release(): Buffer
}

/** What a client may send after its last answer: a body that nobody wants, at most. */
const DROPPED_BYTES_MAX = 16 * 1024 * 1024

export function createInbox(socket: Socket, deps: { clock: Clock; bytesMax: number }): Inbox {
  let pieces: Piece[] = []
  let heldBytes = 0
  let droppedBytes: number | null = null
  let ended = false
  let wake: (() => void) | null = null

  function onData(bytes: Buffer): void {
    if (droppedBytes !== null) {
      droppedBytes += bytes.length
      if (droppedBytes > DROPPED_BYTES_MAX) socket.destroy()
      return
    }
    pieces.push({ bytes, arrivedAtMs: deps.clock() })
    heldBytes += bytes.length
    if (heldBytes > deps.bytesMax) socket.pause()
    wake?.()
  }

  function drop(): void {
    droppedBytes = heldBytes
    pieces = []
    socket.resume()
  }

  function onEnd(): void {
    ended = true
    wake?.()
  }

  socket.on('data', onData)
  socket.on('end', onEnd)
  socket.on('close', onEnd)

  return {
    get ended() {
      return ended
    },
    async take(waitMs) {
      if (pieces.length === 0 && !ended) {
        await new Promise<void>((resolve) => {
          const timer = setTimeout(resolve, waitMs)
          wake = () => {
            clearTimeout(timer)
            resolve()
          }
        })
        wake = null
      }
      const piece = pieces.shift()
      if (!piece) return ended ? 'ended' : 'late'
      heldBytes -= piece.bytes.length
      if (heldBytes <= deps.bytesMax && socket.isPaused() && !socket.destroyed) socket.resume()
      return piece
    },
    putBack(piece) {
      if (piece.bytes.length === 0 || droppedBytes !== null) return
      pieces.unshift(piece)
      heldBytes += piece.bytes.length
    },
    drop,
    finish() {
      drop()
      onEnd()
    },
    release() {
      socket.pause()
      socket.off('data', onData)
      socket.off('end', onEnd)
      socket.off('close', onEnd)
      return Buffer.concat(pieces.map(({ bytes }) => bytes))
    },
  }
}
