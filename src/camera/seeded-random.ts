// Random numbers that come out the same from the same seed, so that a run can be repeated. Pure. Not for secrets.

/** 0 ≤ n < 1. */
export type Random = () => number

const STEP = 0x9e3779b9 // 2^32 divided by the golden ratio: consecutive counters land far apart.

/** A counter whose bits are stirred by multiplications and shifts; period 2^32. */
export function seededRandom(seed: number): Random {
  let counter = seed >>> 0
  return () => {
    counter = (counter + STEP) >>> 0
    let bits = counter
    bits = Math.imul(bits ^ (bits >>> 16), 0x45d9f3b)
    bits = Math.imul(bits ^ (bits >>> 15), 0x2c1b3c6d)
    return ((bits ^ (bits >>> 16)) >>> 0) / 2 ** 32
  }
}
