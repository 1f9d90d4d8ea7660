// A server for the cameras of these tests, on bare sockets and no part of the product: what it sends is what a test says.
import { createServer, type Socket } from 'node:net'

export interface PlainRequest {
  /** The first line, e.g. `GET /d/x/y HTTP/1.1`. */
  line: string
  /** The whole head as it came. */
  head: string
  socket: Socket
}

export interface PlainServer {
  port: number
  requests: PlainRequest[]
  close(): Promise<void>
}

export async function startPlainServer(answer: (request: PlainRequest) => void): Promise<PlainServer> {
  const requests: PlainRequest[] = []
  const sockets = new Set<Socket>()
  const server = createServer({ noDelay: true }, (socket) => {
    sockets.add(socket)
    socket.on('close', () => sockets.delete(socket))
    socket.on('error', () => {}) // Cameras drop connections: that is what they are for.
    let head = ''
    socket.on('data', (chunk) => {
      head += chunk.toString('latin1')
      if (!head.endsWith('\r\n\r\n')) return
      const request = { line: head.slice(0, head.indexOf('\r\n')), head, socket }
      head = ''
      requests.push(request)
      answer(request)
    })
  })
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  const address = server.address()
  if (address === null || typeof address === 'string') throw new Error('no port')
  return {
    port: address.port,
    requests,
    close: () =>
      new Promise((resolve) => {
        for (const socket of sockets) socket.destroy()
        server.close(() => resolve())
      }),
  }
}

/** One field of a request head, in any letter case; null = not there. */
export function fieldOf({ head }: PlainRequest, name: string): string | null {
  return new RegExp(`^${name}: *(.*)$`, 'im').exec(head)?.[1]?.trim() ?? null
}

export interface FileAnswer {
  bytes: Buffer
  etag?: string
  /** For each request in turn: after how many body bytes the connection is cut; beyond the list it is not. */
  cutAfterBytes?: number[]
  /** Sends the fields in lower case. */
  lowerCase?: boolean
}

/**
 * 200 or 206 with one range, If-Range and If-Match as RFC 9110 §13.1 and §14 say; HEAD without a body (§9.3.2). The
 * connection stays where HTTP/1.1 was spoken and no close asked for (RFC 9112 §9.3).
 */
export function fileAnswer({ bytes, etag = '"one"', cutAfterBytes = [], lowerCase = false }: FileAnswer) {
  const cuts = [...cutAfterBytes]
  return (request: PlainRequest): void => {
    const { socket } = request
    const ifMatch = fieldOf(request, 'If-Match')
    if (ifMatch !== null && ifMatch !== etag) {
      socket.end('HTTP/1.1 412 Precondition Failed\r\nContent-Length: 0\r\n\r\n')
      return
    }
    const ifRange = fieldOf(request, 'If-Range')
    const isHead = request.line.startsWith('HEAD ')
    const asked = isHead ? null : /^bytes=(\d+)-(\d*)$/.exec(fieldOf(request, 'Range') ?? '')
    const partial = asked !== null && (ifRange === null || ifRange === etag)
    const first = partial ? Number(asked[1]) : 0
    const end = partial && asked[2] !== '' ? Math.min(Number(asked[2]) + 1, bytes.length) : bytes.length
    const fields = [`Content-Length: ${end - first}`, `ETag: ${etag}`, 'Accept-Ranges: bytes']
    if (partial) fields.push(`Content-Range: bytes ${first}-${end - 1}/${bytes.length}`)
    const text = fields.join('\r\n')
    socket.write(
      `HTTP/1.1 ${partial ? '206 Partial Content' : '200 OK'}\r\n${lowerCase ? text.toLowerCase() : text}\r\n\r\n`,
    )
    const stays = request.line.endsWith('HTTP/1.1') && fieldOf(request, 'Connection')?.toLowerCase() !== 'close'
    const cut = isHead ? undefined : cuts.shift()
    if (cut !== undefined) socket.write(bytes.subarray(first, Math.min(first + cut, end)), () => socket.destroy())
    else if (stays) socket.write(isHead ? '' : bytes.subarray(first, end))
    else socket.end(isHead ? '' : bytes.subarray(first, end))
  }
}
