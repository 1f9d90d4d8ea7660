// A bare socket that reads HTTP/1.1 answers with a Content-Length, field names in any letter case.
import { once } from 'node:events'
import net from 'node:net'

export interface RawAnswer {
  status: number
  fields: Record<string, string>
  body: string
}

export interface RawSocket {
  socket: net.Socket
  send(text: string | Buffer): void
  /** The next answer; null when the connection ended before it was whole. */
  answer(): Promise<RawAnswer | null>
  /** What is left unread. */
  rest(): string
  ended(): Promise<void>
}

export async function rawSocket(port: number): Promise<RawSocket> {
  const socket = net.connect({ port, host: '127.0.0.1', allowHalfOpen: true, noDelay: true })
  let held = Buffer.alloc(0)
  let over = false
  let wake = () => {}
  socket.on('data', (bytes) => {
    held = Buffer.concat([held, bytes])
    wake()
  })
  for (const event of ['end', 'error', 'close']) {
    socket.on(event, () => {
      over = true
      wake()
    })
  }
  await once(socket, 'connect')
  const until = async (isThere: () => boolean): Promise<boolean> => {
    while (!isThere()) {
      if (over) return false
      await new Promise<void>((resolve) => {
        wake = resolve
      })
    }
    return true
  }
  return {
    socket,
    send: (text) => void socket.write(text),
    answer: async () => {
      if (!(await until(() => held.includes('\r\n\r\n')))) return null
      const end = held.indexOf('\r\n\r\n')
      const [line, ...lines] = held.toString('latin1', 0, end).split('\r\n')
      const fields = Object.fromEntries(
        lines.map((text) => [text.slice(0, text.indexOf(':')).toLowerCase(), text.slice(text.indexOf(':') + 1).trim()]),
      )
      const length = Number(fields['content-length'] ?? 0)
      if (!(await until(() => held.length >= end + 4 + length))) return null
      const body = held.toString('latin1', end + 4, end + 4 + length)
      held = held.subarray(end + 4 + length)
      return { status: Number(line!.split(' ')[1]), fields, body }
    },
    rest: () => held.toString('latin1'),
    ended: async () => {
      await until(() => over)
    },
  }
}
