// A camera's HTTP on a bare socket. It knows status, length and a field or two. It follows no redirect and understands no
// chunks and no coding, as small clients do; a connection serves one request, or a row of them for cameras that ask so.
import { connect } from 'node:net'
import { addAbortSignal } from 'node:stream'
import type { Address, CameraModel } from './camera-model.js'
import { asFault, CameraFault } from './fault.js'

/** Enough for any server's head; a small client has a buffer of about this size. */
const ANSWER_HEAD_BYTES_MAX = 8 * 1024
/** Without a byte for this long, while waiting for one, the connection counts as lost. */
const SILENCE_MS_MAX = 20_000

export interface Ask {
  method: 'GET' | 'HEAD'
  httpVersion: '1.0' | '1.1'
  /** Whole lines without their ends. */
  fields: string[]
}

export interface ConnectionSetup {
  address: Address
  fieldSearch: CameraModel['fieldSearch']
  signal: AbortSignal
}

export interface Connection {
  /** The next one only when the body before has been read to its end. */
  ask(request: Ask): Promise<Answer>
  close(): void
}

export interface Answer {
  status: number
  /** As far as the model's client finds it; null = not there for this camera. */
  field(name: string): string | null
  /** null = none found: the body lasts until the connection is closed. */
  lengthBytes: number | null
  /** At most so many bytes of the body; null = its end. Reads from the network only when asked to. */
  read(bytesMax: number): Promise<Buffer | null>
  /** Leaves the connection. What the far end sees, FIN or RST, depends on what lies unread, as with any client. */
  close(): void
}

/** One request on a connection of its own. */
export async function ask(request: Ask & ConnectionSetup): Promise<Answer> {
  const connection = openConnection(request)
  try {
    return await connection.ask(request)
  } catch (error) {
    connection.close()
    throw error
  }
}

export function openConnection({ address, fieldSearch, signal }: ConnectionSetup): Connection {
  const socket = connect({ host: address.host, port: address.port })
  addAbortSignal(signal, socket)
  socket.on('error', () => {}) // The pending read below reports it; without a listener it would end the process.
  socket.on('timeout', () => socket.destroy(new Error(`no byte for ${SILENCE_MS_MAX} ms`)))
  const chunks: AsyncIterator<Buffer> = socket[Symbol.asyncIterator]()
  const close = () => void socket.destroy()
  let pending: Buffer = Buffer.alloc(0)

  /** The next bytes as they come; null = the far end closed in good order. */
  async function next(): Promise<Buffer | null> {
    // Watched only while something is awaited: a camera that does not read for a minute must not lose its connection.
    socket.setTimeout(SILENCE_MS_MAX)
    try {
      const { done, value } = await chunks.next()
      return done ? null : value
    } catch (error) {
      if (signal.aborted) throw new CameraFault('stopped', 'The camera was switched off.', { cause: error })
      throw new CameraFault('connection', asFault(error).message, { cause: error })
    } finally {
      socket.setTimeout(0)
    }
  }

  async function readHead(): Promise<string> {
    for (;;) {
      const headEnd = pending.indexOf('\r\n\r\n')
      if (headEnd >= 0) {
        const head = pending.toString('latin1', 0, headEnd)
        pending = pending.subarray(headEnd + 4)
        return head
      }
      if (pending.length > ANSWER_HEAD_BYTES_MAX) {
        throw new CameraFault('answer', 'The head of the answer does not end.')
      }
      const chunk = await next()
      if (chunk === null) throw new CameraFault('connection', 'The connection was closed before the head ended.')
      pending = Buffer.concat([pending, chunk])
    }
  }

  return {
    close,
    async ask(request) {
      const lines = [`${request.method} ${address.path} HTTP/${request.httpVersion}`, ...request.fields, '', '']
      socket.write(lines.join('\r\n'), 'latin1')
      const head = await readHead()
      const status = Number(/^HTTP\/1\.[01] (\d{3})/.exec(head)?.[1])
      if (Number.isNaN(status)) throw new CameraFault('answer', 'The answer is not HTTP.')
      const field = (name: string) => findField(head, name, fieldSearch)
      const length = /^\d{1,15}/.exec(field('Content-Length') ?? '')?.[0]
      const lengthBytes = length === undefined ? null : Number(length)
      let leftBytes = request.method === 'HEAD' ? 0 : (lengthBytes ?? Number.POSITIVE_INFINITY)
      return {
        status,
        field,
        lengthBytes,
        async read(bytesMax) {
          if (leftBytes <= 0) return null
          if (pending.length === 0) {
            const chunk = await next()
            if (chunk === null && lengthBytes === null) return null
            if (chunk === null) throw new CameraFault('connection', `The connection ended ${leftBytes} bytes early.`)
            pending = chunk
          }
          const piece = pending.subarray(0, Math.min(bytesMax, leftBytes))
          pending = pending.subarray(piece.length)
          leftBytes -= piece.length
          return piece
        },
        close,
      }
    },
  }
}

function findField(head: string, name: string, search: CameraModel['fieldSearch']): string | null {
  const text = search === 'exact-case' ? head : head.toLowerCase()
  const wanted = search === 'exact-case' ? `${name}: ` : `\n${name.toLowerCase()}:`
  const at = text.indexOf(wanted)
  if (at < 0) return null
  const end = head.indexOf('\r\n', at + wanted.length)
  return head.slice(at + wanted.length, end < 0 ? undefined : end).trim()
}
