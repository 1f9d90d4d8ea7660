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

/** 200 or 206 with one open-ended range, If-Range and If-Match as RFC 9110 §13.1 says, then the close. */
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
    const asked = /^bytes=(\d+)-$/.exec(fieldOf(request, 'Range') ?? '')?.[1]
    const from = asked === undefined || (ifRange !== null && ifRange !== etag) ? 0 : Number(asked)
    const partial = asked !== undefined && (ifRange === null || ifRange === etag)
    const fields = [`Content-Length: ${bytes.length - from}`, `ETag: ${etag}`, 'Accept-Ranges: bytes']
    if (partial) fields.push(`Content-Range: bytes ${from}-${bytes.length - 1}/${bytes.length}`)
    const text = fields.join('\r\n')
    socket.write(
      `HTTP/1.1 ${partial ? '206 Partial Content' : '200 OK'}\r\n${lowerCase ? text.toLowerCase() : text}\r\n\r\n`,
    )
    const cut = cuts.shift()
    if (cut === undefined) socket.end(bytes.subarray(from))
    else socket.write(bytes.subarray(from, from + cut), () => socket.destroy())
  }
}
