// Identifiers: opaque to callers, sorted by time of making (so that lists page by them), never reused.
import { randomFillSync } from 'node:crypto'

const SIGNS = '0123456789abcdefghjkmnpqrstvwxyz' // 32 signs without i l o u: they survive being read aloud.
const TIME_SIGNS = 9 // 45 bits of ms: until the year 3084.
const COUNT_SIGNS = 4 // 20 bits: a million within one ms.
const RANDOM_BYTES = 5

/** Drawn together: a call of the system's generator for each id costs more than the id. */
const POOL = Buffer.alloc(RANDOM_BYTES * 800)
let drawn = POOL.length

let lastMs = 0
let count = 0
/** What many ids of one ms have in common: a list or an issue makes 100,000 of them in one transaction. */
let timeText = encode(lastMs, TIME_SIGNS)

function encode(value: number, signs: number): string {
  let text = ''
  for (let rest = value, i = 0; i < signs; i += 1, rest = Math.floor(rest / 32)) text = SIGNS[rest % 32] + text
  return text
}

/** `prefix_` + 21 signs. Ids of one process rise even where the clock stands or goes back. */
export function newId(prefix: string, nowMs: number): string {
  if (nowMs > lastMs) {
    lastMs = nowMs
    timeText = encode(lastMs, TIME_SIGNS)
    count = 0
  } else count += 1
  if (drawn === POOL.length) {
    randomFillSync(POOL)
    drawn = 0
  }
  let random = ''
  for (const end = drawn + RANDOM_BYTES; drawn < end; drawn += 1) random += SIGNS[POOL[drawn]! % 32]
  return `${prefix}_${timeText}${encode(count, COUNT_SIGNS)}${random}`
}
