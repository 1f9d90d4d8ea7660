// A client on a bare socket: what it sends and what it gets is bytes, so that tests see what a dumb client sees.
import net from 'node:net'

export interface RawResponse {
  status: number
  /** As on the wire, in order. */
  fields: [name: string, value: string][]
  /** The first field of that very spelling. */
  field(name: string): string | undefined
  headText: string
  body: Buffer
}

export interface RawClient {
  readonly socket: net.Socket
  send(bytes: string | Buffer): void
  /** The next response, its body by Content-Length; `bodyless` for answers to HEAD. */
  response(options?: { bodyless?: boolean }): Promise<RawResponse>
  /** Waits until so many bytes have come in all (heads included). */
  received(bytes: number): Promise<void>
  /** Bytes that came so far, heads included. */
  readonly bytesIn: number
  /** How the server's side ended. */
  closed(): Promise<'fin' | 'reset'>
  /** Sends FIN and stays readable. */
  halfClose(): void
  reset(): void
  destroy(): void
}

/** Connects; bytes are kept until they are asked for. */
export async function openRaw(to: { port: number; host?: string }): Promise<RawClient> {
  const socket = net.connect({ port: to.port, host: to.host ?? '127.0.0.1', allowHalfOpen: true, noDelay: true })
  let unread: Buffer[] = []
  let bytesIn = 0
  let ending: 'fin' | 'reset' | null = null
  const waiting = new Set<() => void>()
  const changed = (): void => {
    for (const wake of [...waiting]) wake()
  }
  const end = (how: 'fin' | 'reset'): void => {
    ending ??= how
    changed()
  }
  socket.on('data', (bytes) => {
    unread.push(bytes)
    bytesIn += bytes.length
    changed()
  })
  socket.on('end', () => end('fin'))
  socket.on('error', () => end('reset'))
  socket.on('close', () => end('reset'))
  await new Promise<void>((resolve, reject) => {
    socket.once('connect', resolve)
    socket.once('error', reject)
  })

  /** Resolves when `ready` gives a value; rejects where the stream ends before. */
  function until<T>(ready: () => T | undefined, what: string): Promise<T> {
    return new Promise((resolve, reject) => {
      const check = (): void => {
        const value = ready()
        if (value === undefined && ending === null) return
        waiting.delete(check)
        if (value !== undefined) resolve(value)
        else reject(new Error(`the connection ended (${ending}) before ${what}`))
      }
      waiting.add(check)
      check()
    })
  }

  const all = (): Buffer => {
    if (unread.length > 1) unread = [Buffer.concat(unread)]
    return unread[0] ?? Buffer.alloc(0)
  }

  return {
    socket,
    get bytesIn() {
      return bytesIn
    },
    send: (bytes) => {
      socket.write(bytes)
    },
    async response(options = {}) {
      const headEnd = await until(() => {
        const at = all().indexOf('\r\n\r\n')
        return at < 0 ? undefined : at + 4
      }, 'a head was whole')
      const headText = all().toString('latin1', 0, headEnd)
      const [statusLine = '', ...lines] = headText.slice(0, -4).split('\r\n')
      const fields = lines.map((line): [string, string] => {
        const colon = line.indexOf(': ')
        return [line.slice(0, colon), line.slice(colon + 2)]
      })
      const field = (name: string): string | undefined => fields.find(([one]) => one === name)?.[1]
      const status = Number(/^HTTP\/1\.1 (\d{3}) /.exec(statusLine)?.[1])
      const length =
        options.bodyless || status === 304 ? 0 : Number(field('Content-Length') ?? field('content-length') ?? 0)
      await until(() => (bytesAvailable() >= headEnd + length ? true : undefined), `${length} bytes of a body`)
      const body = Buffer.from(all().subarray(headEnd, headEnd + length))
      unread = [all().subarray(headEnd + length)]
      return { status, fields, field, headText, body }
    },
    async received(bytes) {
      await until(() => (bytesIn >= bytes ? true : undefined), `${bytes} bytes came`)
    },
    async closed() {
      while (ending === null) await until(() => ending ?? undefined, 'the end')
      return ending
    },
    halfClose: () => {
      socket.end()
    },
    reset: () => {
      socket.resetAndDestroy()
    },
    destroy: () => {
      socket.destroy()
    },
  }

  function bytesAvailable(): number {
    return unread.reduce((sum, bytes) => sum + bytes.length, 0)
  }
}
