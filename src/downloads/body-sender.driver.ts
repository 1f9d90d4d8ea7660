// Hands one response to a socket: head and slices of verified blocks, each after the write callback of the one before.
// Nothing else sets the pace, so a client that does not read holds one slice and its socket, and no thread waits for it.
import type { Socket } from 'node:net'
import { BLOCK_BYTES } from '../blobs/digests.js'
import type { BlockSource } from './delivery.js'
import type { Span } from './span.js'

/** A new response starts small, so that its first byte comes early; a fast one grows. Measured: larger gains nothing. */
const SLICE_BYTES_MIN = 64 * 1024
const SLICE_BYTES_MAX = 256 * 1024
/** A slice that took longer has waited for the client: the block is let go, and a copy of little is written. */
const SLOW_MS = 250

const NOTHING = Buffer.alloc(0)

/** Writes; true once the write callback fired and the bytes are with the kernel. */
export async function handOverBytes(socket: Socket, bytes: Buffer): Promise<boolean> {
  if (socket.destroyed || !socket.writable) return false
  return new Promise((resolve) => {
    // When a connection breaks, Node runs the callbacks of pending writes without an error: `destroyed` tells.
    socket.write(bytes, (error) => resolve(!error && !socket.destroyed))
  })
}

export interface BodyJob {
  socket: Socket
  blocks: BlockSource
  sha256: string
  sizeBytes: number
  slice: { first: number; last: number }
  /** Goes out in front of the first slice: if that is damaged, not even a status line leaves. */
  head: Buffer
  /** How many more bytes the link may send; asked before each slice. */
  remainingBytes: () => number
  /** The bytes are with the kernel. */
  onHandedOver: (part: { headBytes: number; span: Span }) => void
}

export type BodyOutcome =
  | { kind: 'handed-over' }
  | { kind: 'broken' }
  | { kind: 'budget-spent' }
  | { kind: 'damaged'; error: unknown }

export async function sendBody(job: BodyJob): Promise<BodyOutcome> {
  const { socket, slice } = job
  let head: Buffer | null = job.head
  let next = slice.first
  let sliceBytes = SLICE_BYTES_MIN
  let block = null as { index: number; bytes: Buffer } | null
  while (next <= slice.last) {
    const allowed = job.remainingBytes()
    if (allowed <= 0) return { kind: 'budget-spent' }
    const index = Math.floor(next / BLOCK_BYTES)
    try {
      if (block?.index !== index) block = { index, bytes: await readBlock(job, index) }
    } catch (error) {
      return { kind: 'damaged', error }
    }
    const from = next - index * BLOCK_BYTES
    const length = Math.min(sliceBytes, allowed, block.bytes.length - from, slice.last - next + 1)
    const body = block.bytes.subarray(from, from + length)
    // A small slice is copied and its block let go: what waits in the socket of a slow client pins nothing else.
    const small = length <= SLICE_BYTES_MIN
    const bytes = head || small ? Buffer.concat([head ?? NOTHING, body]) : body
    if (small) block = null

    const startMs = performance.now()
    if (!(await handOverBytes(socket, bytes))) return { kind: 'broken' }
    const slow = performance.now() - startMs > SLOW_MS
    job.onHandedOver({ headBytes: head?.length ?? 0, span: [next, next + length - 1] })
    head = null
    next += length
    sliceBytes = slow ? SLICE_BYTES_MIN : Math.min(sliceBytes * 2, SLICE_BYTES_MAX)
    if (slow) block = null
    // One slice per turn of the event loop: many downloads advance evenly, and requests are read in between.
    if (next <= slice.last) await new Promise((resolve) => setImmediate(resolve))
  }
  return { kind: 'handed-over' }
}

/** A block of another length than the file's size says is damaged too, whatever its digest. */
async function readBlock(job: BodyJob, index: number): Promise<Buffer> {
  const bytes = await job.blocks.read(job.sha256, index)
  const wanted = Math.min(BLOCK_BYTES, job.sizeBytes - index * BLOCK_BYTES)
  if (bytes.length !== wanted) throw new Error(`block ${index} has ${bytes.length} bytes in place of ${wanted}`)
  return bytes
}
