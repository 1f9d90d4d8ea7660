// Lends a socket of the public listener to node:http, one request after another, and takes it back when the client asks
// for a download on the same connection: clients with a pool of connections do that.
import type { IncomingMessage, Server, ServerResponse } from 'node:http'
import type { Socket } from 'node:net'
import { Duplex } from 'node:stream'

/** A request line that surely is none for a download: it goes on to node:http without another look. */
const SURELY_HTTP = /^[A-Z]{1,10} \/(?!d\/)/i

/** What node:http sees of the socket. Its requests and answers are counted, so that the pause between two is known. */
class BorrowedSocket extends Duplex {
  readonly #socket: Socket
  readonly #takeBack: (bytes: Buffer) => void
  #open = 0
  #last: IncomingMessage | null = null
  /** Whether the last thing that happened was the end of an answer: only then do bytes begin a new request. */
  #betweenRequests = false
  /** The client sends requests before it has the answers: where one begins only the parser knows, so it keeps the socket. */
  #pipelines = false
  #lent = true

  /** @param bytes what was read from the socket before it came here */
  constructor(socket: Socket, bytes: Buffer, takeBack: (bytes: Buffer) => void) {
    super({ allowHalfOpen: true })
    this.#socket = socket
    this.#takeBack = takeBack
    socket.on('data', this.#onData)
    socket.on('end', this.#onEnd)
    socket.on('timeout', this.#onTimeout)
    socket.on('error', this.#onError)
    socket.on('close', this.#onClose)
    if (bytes.length > 0) this.push(bytes)
    // A client may have ended its side right behind its request, and the word of it is over.
    if (socket.readableEnded) this.push(null)
  }

  get remoteAddress(): string | undefined {
    return this.#socket.remoteAddress
  }

  get remotePort(): number | undefined {
    return this.#socket.remotePort
  }

  setTimeout(ms: number): this {
    this.#socket.setTimeout(ms)
    return this
  }

  /** Asked by node:http when an answer says `Connection: close`. */
  destroySoon(): void {
    this.end(() => this.#socket.destroySoon())
  }

  requestBegan(request: IncomingMessage): void {
    this.#open += 1
    this.#last = request
  }

  requestEnded(): void {
    this.#open -= 1
    this.#betweenRequests = this.#open === 0 && !this.#pipelines
  }

  readonly #onData = (bytes: Buffer): void => {
    // An answer may go out before the body of its request is in: what still comes of that is no request.
    const whole = this.#last?.complete === true
    if (whole && this.#open > 0) this.#pipelines = true
    if (whole && this.#betweenRequests && !SURELY_HTTP.test(bytes.toString('latin1', 0, 32))) {
      this.#letGo()
      this.#takeBack(bytes)
      return
    }
    this.#betweenRequests = false
    if (!this.push(bytes)) this.#socket.pause()
  }

  readonly #onEnd = (): void => void this.push(null)
  readonly #onTimeout = (): void => void this.emit('timeout')
  readonly #onError = (error: Error): void => void this.destroy(error)
  readonly #onClose = (): void => void this.destroy()

  #letGo(): void {
    this.#lent = false
    this.#socket.setTimeout(0)
    this.#socket.off('data', this.#onData)
    this.#socket.off('end', this.#onEnd)
    this.#socket.off('timeout', this.#onTimeout)
    this.#socket.off('error', this.#onError)
    this.#socket.off('close', this.#onClose)
    this.#socket.pause()
    this.destroy()
  }

  override _read(): void {
    if (this.#lent) this.#socket.resume()
  }

  override _write(chunk: Buffer, _encoding: BufferEncoding, done: (error?: Error | null) => void): void {
    this.#socket.write(chunk, done)
  }

  override _writev(chunks: { chunk: Buffer; encoding: BufferEncoding }[], done: (error?: Error | null) => void): void {
    this.#socket.cork()
    for (const { chunk } of chunks.slice(0, -1)) this.#socket.write(chunk)
    this.#socket.write(chunks.at(-1)!.chunk, done)
    this.#socket.uncork()
  }

  override _final(done: (error?: Error | null) => void): void {
    if (this.#lent) this.#socket.end(() => done())
    else done()
  }

  override _destroy(error: Error | null, done: (error: Error | null) => void): void {
    if (this.#lent) this.#socket.destroy()
    done(error)
  }
}

/** @param takeBack gets the socket with the bytes of the next request put back into it, as if it came from the listener */
export function lendToHttp(
  server: Server,
  takeBack: (socket: Socket) => void,
): (socket: Socket, bytes: Buffer) => void {
  server.on('request', (request: IncomingMessage, response: ServerResponse) => {
    const { socket } = request as { socket: unknown }
    if (!(socket instanceof BorrowedSocket)) return
    socket.requestBegan(request)
    response.once('close', () => socket.requestEnded())
  })
  return (socket, bytes) => {
    if (socket.destroyed) {
      socket.on('error', () => {}) // It may still be said, and an error without a listener would end the process.
      return
    }
    const borrowed = new BorrowedSocket(socket, bytes, (next) => {
      socket.unshift(next)
      takeBack(socket)
      socket.resume()
    })
    server.emit('connection', borrowed)
    socket.resume()
  }
}
