// How many sockets the public listener holds, and which one goes when there are too many: the one that has been there
// longest without naming a link that exists. So whoever opens sockets by the thousand displaces himself, and a unit, which
// names its link in its first packet, stays.
import type { Socket } from 'node:net'

export interface SocketPlaces {
  /** False where there is no room: every place is held by somebody with a link. A socket that comes back keeps its place. */
  take(socket: Socket): boolean
  /** The socket has named a link. */
  keep(socket: Socket): void
}

export function createSocketPlaces(given: { placesMax: number; onFull: (held: number) => void }): SocketPlaces {
  const known = new WeakSet<Socket>()
  /** In the order of their coming: a Set keeps it. */
  const strangers = new Set<Socket>()
  let held = 0

  /** The longest waiting stranger goes; its own handlers see a connection that was reset. */
  function makeRoom(): boolean {
    given.onFull(held)
    const [oldest] = strangers
    if (!oldest) return false
    strangers.delete(oldest)
    // libuv refuses to reset a stream that is being shut down.
    if (oldest.writableEnded) oldest.destroy()
    else oldest.resetAndDestroy()
    return true
  }

  return {
    take(socket) {
      if (known.has(socket)) return true
      if (held >= given.placesMax && !makeRoom()) return false
      known.add(socket)
      strangers.add(socket)
      held += 1
      socket.once('close', () => {
        held -= 1
        strangers.delete(socket)
      })
      return true
    },
    keep: (socket) => void strangers.delete(socket),
  }
}
