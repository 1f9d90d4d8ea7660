// Which bytes of which response lie at which place of one connection's stream: the kernel counts the stream, the ledger
// counts the file. Pure. Heads, keep-alive and pipelined responses are told apart; what was acknowledged stays so.
import type { Span } from './span.js'

/** A part of a response's body that has reached the far TCP end. */
export interface AcknowledgedPart {
  tryId: string
  span: Span
}

interface Segment {
  /** null = a head, or another answer without a body. */
  tryId: string | null
  /** Place in the file of the segment's first byte. */
  bodyFirst: number
  length: number
}

export interface StreamMap {
  /** Bytes of the stream that the ledger does not count, in the order of writing. */
  addHead(length: number): void
  addBody(tryId: string, span: Span): void
  /** Everything added. */
  readonly length: number
  /** Offset up to which the far end has acknowledged. */
  readonly acknowledgedTo: number
  /** Whether body bytes are still on their way. */
  readonly awaitsBody: boolean
  /** The far end holds the first `offset` bytes of the stream; gives what is new by that. A lower offset changes nothing. */
  acknowledgeTo(offset: number): AcknowledgedPart[]
}

export function createStreamMap(): StreamMap {
  /** What is not acknowledged yet, in order; the first one starts at `acknowledged`. */
  const segments: Segment[] = []
  let length = 0
  let acknowledged = 0
  let bodyBytes = 0

  /** Neighbours become one segment, so that a long response needs one entry and not one for each slice. */
  function add(segment: Segment): void {
    if (segment.length <= 0) return
    length += segment.length
    if (segment.tryId !== null) bodyBytes += segment.length
    const previous = segments.at(-1)
    const joins =
      previous?.tryId === segment.tryId &&
      (segment.tryId === null || previous.bodyFirst + previous.length === segment.bodyFirst)
    if (joins) previous.length += segment.length
    else segments.push(segment)
  }

  function takeFront(segment: Segment, count: number): AcknowledgedPart | null {
    const { tryId, bodyFirst } = segment
    segment.bodyFirst += count
    segment.length -= count
    if (segment.length === 0) segments.shift()
    if (tryId === null) return null
    bodyBytes -= count
    return { tryId, span: [bodyFirst, bodyFirst + count - 1] }
  }

  return {
    addHead: (count) => add({ tryId: null, bodyFirst: 0, length: count }),
    addBody: (tryId, [first, last]) => add({ tryId, bodyFirst: first, length: last - first + 1 }),
    get length() {
      return length
    },
    get acknowledgedTo() {
      return acknowledged
    },
    get awaitsBody() {
      return bodyBytes > 0
    },
    acknowledgeTo(offset) {
      const parts: AcknowledgedPart[] = []
      const goal = Math.min(offset, length) // Never beyond what was handed over, whatever the kernel's text says.
      while (acknowledged < goal) {
        const segment = segments[0]!
        const count = Math.min(segment.length, goal - acknowledged)
        acknowledged += count
        const part = takeFront(segment, count)
        if (part) parts.push(part)
      }
      return parts
    },
  }
}
