// Lends a socket of the public listener to node:http, one request after another, and takes it back when the client asks
// for a download on the same connection: clients with a pool of connections do that.
import type { IncomingMessage, Server, ServerResponse } from 'node:http'
import type { Socket } from 'node:net'
import { Duplex } from 'node:stream'

/** A request line that surely is none for a download: it goes on to node:http without another look. */
const SURELY_HTTP = /^[A-Z]{1,10} \/[a-ce-z]/i
/**
 * What node:http gets in one turn of the event loop: it answers all requests in one piece at once, and a row of hundreds
 * would hold up the downloads. A usual head fits; the body of a request goes on in larger pieces.
 */
const PIECE_BYTES = 1024
const BODY_PIECE_BYTES = 64 * 1024
/** What may wait here for answers to come first; then the socket is not read. */
const HELD_BYTES_MAX = 64 * 1024

/** What a client may still send behind an answer that ends the connection, and for how long. */
const DROPPED_BYTES_MAX = 16 * 1024 * 1024
const LINGER_MS = 10_000

interface Chunk {
  chunk: Buffer | string
  encoding: BufferEncoding
}

const HEAD_END = Buffer.from('\r\n\r\n')

/** What node:http sees of the socket. Its requests and answers are counted, so that the pause between two is known. */
class BorrowedSocket extends Duplex {
  readonly #socket: Socket
  readonly #takeBack: (bytes: Buffer) => void
  #held: Buffer
  #ended = false
  #turn: NodeJS.Immediate | null = null
  #open = 0
  #last: IncomingMessage | null = null
  /** The last bytes passed on, and how many came behind the head of the request under way; null = still in its head. */
  #tail: Buffer = Buffer.alloc(0)
  #bodyBytes: number | null = null
  /** Requests came in one piece and the last one ends inside it: where the next begins only the parser knows. */
  #lost = false
  /** Whether the parser takes more. */
  #wanted = true
  #lent = true
  /** A number once the last answer is out and the connection is to end. */
  #droppedBytes: number | null = null

  /** @param bytes what was read from the socket before it came here */
  constructor(socket: Socket, bytes: Buffer, takeBack: (bytes: Buffer) => void) {
    // Text stays text: the socket writes head and body without a copy of each.
    super({ allowHalfOpen: true, decodeStrings: false })
    this.#socket = socket
    this.#takeBack = takeBack
    this.#held = bytes
    socket.on('data', this.#onData)
    socket.on('end', this.#onEnd)
    socket.on('timeout', this.#onTimeout)
    socket.on('error', this.#onError)
    socket.on('close', this.#onClose)
    // A client may have ended its side right behind its request, and the word of it is over.
    this.#ended = socket.readableEnded
    this.#passOn()
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
    this.end(() => this.#linger())
  }

  /**
   * RFC 9112 §9.6: closing while the client still sends would turn our FIN into a reset, and it would lose the answer. What
   * it sends is read and dropped until it ends its side.
   */
  #linger(): void {
    if (this.destroyed || this.#ended) {
      this.#socket.destroySoon()
      return
    }
    this.#droppedBytes = 0
    this.#held = Buffer.alloc(0)
    this.#socket.resume()
    const timer = setTimeout(() => this.#socket.destroy(), LINGER_MS)
    this.#socket.once('close', () => clearTimeout(timer))
  }

  requestBegan(request: IncomingMessage): void {
    this.#open += 1
    this.#last = request
  }

  requestEnded(): void {
    this.#open -= 1
    this.#passOn()
  }

  readonly #onData = (bytes: Buffer): void => {
    if (this.#droppedBytes !== null) {
      this.#droppedBytes += bytes.length
      if (this.#droppedBytes > DROPPED_BYTES_MAX) this.#socket.destroy()
      return
    }
    this.#held = this.#held.length === 0 ? bytes : Buffer.concat([this.#held, bytes])
    if (this.#held.length > HELD_BYTES_MAX) this.#socket.pause()
    this.#passOn()
  }

  readonly #onEnd = (): void => {
    this.#ended = true
    if (this.#droppedBytes !== null) this.#socket.destroySoon()
    else this.#passOn()
  }

  /** Whether the answer is out and the last byte passed on was the last one of its request: the next begins a new one. */
  #isBetweenRequests(): boolean {
    if (this.#lost || this.#open > 0 || !this.#last?.complete) return false
    const length = this.#last.headers['content-length']
    return length === undefined ? this.#tail.equals(HEAD_END) : this.#bodyBytes === Number(length)
  }

  /** One piece a turn, and none while a whole request waits for its answer. */
  #passOn(): void {
    if (this.#turn || !this.#lent || !this.#wanted || this.#droppedBytes !== null) return
    if (this.#held.length === 0) {
      if (this.#ended) this.push(null)
      return
    }
    // An answer may go out before the body of its request is in: what still comes of that is no request.
    const whole = this.#last?.complete === true
    if (whole && this.#open > 0) return
    if (this.#isBetweenRequests()) {
      if (!SURELY_HTTP.test(this.#held.toString('latin1', 0, 32))) {
        this.#giveBack()
        return
      }
      this.#bodyBytes = null
      this.#tail = Buffer.alloc(0)
    } else if (whole) this.#lost = true
    const piece = this.#held.subarray(0, this.#pieceBytes(whole))
    this.#held = this.#held.subarray(piece.length)
    this.#note(piece)
    this.#turn = setImmediate(() => {
      this.#turn = null
      this.#passOn()
    })
    this.#wanted = false // The parser may ask for more from within.
    if (this.push(piece)) this.#wanted = true
    if (this.#held.length <= HELD_BYTES_MAX) this.#socket.resume()
  }

  /** A body of a known length is passed on up to its end and not beyond. */
  #pieceBytes(whole: boolean): number {
    const length = Number(this.#last?.headers['content-length'])
    const missing = whole || this.#bodyBytes === null ? 0 : length - this.#bodyBytes
    return missing > 0 ? Math.min(missing, BODY_PIECE_BYTES) : PIECE_BYTES
  }

  #note(piece: Buffer): void {
    if (this.#bodyBytes !== null) this.#bodyBytes += piece.length
    else {
      // The end of the head may lie across two pieces.
      const seen = this.#tail.length === 0 ? piece : Buffer.concat([this.#tail, piece])
      const headEnd = seen.indexOf(HEAD_END)
      if (headEnd >= 0) this.#bodyBytes = seen.length - headEnd - HEAD_END.length
    }
    const enough = piece.length >= HEAD_END.length || this.#tail.length === 0
    this.#tail = (enough ? piece : Buffer.concat([this.#tail, piece])).subarray(-HEAD_END.length)
  }

  readonly #onTimeout = (): void => void this.emit('timeout')
  readonly #onError = (error: Error): void => void this.destroy(error)
  readonly #onClose = (): void => void this.destroy()

  #giveBack(): void {
    const bytes = this.#held
    this.#held = Buffer.alloc(0)
    this.#lent = false
    this.#socket.setTimeout(0)
    this.#socket.off('data', this.#onData)
    this.#socket.off('end', this.#onEnd)
    this.#socket.off('timeout', this.#onTimeout)
    this.#socket.off('error', this.#onError)
    this.#socket.off('close', this.#onClose)
    this.#socket.pause()
    this.destroy()
    this.#takeBack(bytes)
  }

  override _read(): void {
    this.#wanted = true
    this.#passOn()
  }

  override _write(chunk: Buffer | string, encoding: BufferEncoding, done: (error?: Error | null) => void): void {
    this.#socket.write(chunk, encoding, done)
  }

  override _writev(chunks: Chunk[], done: (error?: Error | null) => void): void {
    this.#socket.cork()
    const last = chunks.length - 1
    for (const [index, { chunk, encoding }] of chunks.entries())
      this.#socket.write(chunk, encoding, index === last ? done : undefined)
    this.#socket.uncork()
  }

  override _final(done: (error?: Error | null) => void): void {
    if (this.#lent) this.#socket.end(() => done())
    else done()
  }

  override _destroy(error: Error | null, done: (error: Error | null) => void): void {
    if (this.#turn) clearImmediate(this.#turn)
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
  // A server that does not listen itself looks after no timeouts: it begins to when it hears that it listens.
  server.emit('listening')
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
