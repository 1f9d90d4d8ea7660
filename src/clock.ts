// Time is passed in everywhere as a function. Threads of one server share one clock, so that a test can move all of them.

/** Unix time in ms, UTC. */
export type Clock = () => number

/**
 * The system's clock; with a shared cell (8 bytes, ms as BigInt) the system's clock moved by what the cell holds.
 * Only tests pass a cell.
 */
export function clockFrom(offsetCell?: SharedArrayBuffer): Clock {
  if (!offsetCell) return Date.now
  const cell = new BigInt64Array(offsetCell)
  return () => Date.now() + Number(Atomics.load(cell, 0))
}

/** RFC 3339, UTC, milliseconds. */
export const toRfc3339 = (ms: number): string => new Date(ms).toISOString()
