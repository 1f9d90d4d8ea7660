// Reads a QR symbol of versions 1 to 10, bytes only, by the structure of ISO/IEC 18004 (from memory). Independent of the
// program that draws it: format bits, mask, zigzag, blocks and their Reed-Solomon codes are worked out anew. It corrects
// nothing: what has an error is refused.

const LEVELS = { 0: 'M', 1: 'L', 2: 'H', 3: 'Q' } as const
/** Error correction codewords of one block, and blocks, for versions 1 to 10. */
const TABLE = {
  L: { ecc: [7, 10, 15, 20, 26, 18, 20, 24, 30, 18], blocks: [1, 1, 1, 1, 1, 2, 2, 2, 2, 4] },
  M: { ecc: [10, 16, 26, 18, 24, 16, 18, 22, 22, 26], blocks: [1, 1, 1, 2, 2, 4, 4, 4, 5, 5] },
  Q: { ecc: [13, 22, 18, 26, 18, 24, 18, 22, 20, 24], blocks: [1, 1, 2, 2, 4, 4, 6, 6, 8, 8] },
  H: { ecc: [17, 28, 22, 16, 22, 28, 26, 26, 24, 28], blocks: [1, 1, 2, 4, 4, 4, 5, 6, 8, 8] },
}
const ALIGNED = [[], [6, 18], [6, 22], [6, 26], [6, 30], [6, 34], [6, 22, 38], [6, 24, 42], [6, 26, 46], [6, 28, 50]]
const MASKS: ((x: number, y: number) => boolean)[] = [
  (x, y) => (x + y) % 2 === 0,
  (_x, y) => y % 2 === 0,
  (x) => x % 3 === 0,
  (x, y) => (x + y) % 3 === 0,
  (x, y) => (Math.floor(x / 3) + Math.floor(y / 2)) % 2 === 0,
  (x, y) => ((x * y) % 2) + ((x * y) % 3) === 0,
  (x, y) => (((x * y) % 2) + ((x * y) % 3)) % 2 === 0,
  (x, y) => (((x + y) % 2) + ((x * y) % 3)) % 2 === 0,
]

const refuse = (why: string): never => {
  throw new Error(`no QR symbol: ${why}`)
}

export function readQr(rows: boolean[][]): string {
  const size = rows.length
  const version = (size - 17) / 4
  if (!Number.isInteger(version) || version < 1 || version > 10 || rows.some((row) => row.length !== size))
    refuse('its size')
  const at = (x: number, y: number) => rows[y]![x]!
  checkPatterns(at, size)
  const { level, mask } = readFormat(at, size)
  const codewords = readCodewords(at, { size, version, mask })
  return readBytes(joinBlocks(codewords, TABLE[level], version), version)
}

/** Finder patterns with their light borders, and the timing patterns. */
function checkPatterns(at: (x: number, y: number) => boolean, size: number): void {
  for (const [left, top] of [
    [0, 0],
    [size - 7, 0],
    [0, size - 7],
  ] as const) {
    for (let dy = -1; dy <= 7; dy += 1) {
      for (let dx = -1; dx <= 7; dx += 1) {
        const [x, y] = [left + dx, top + dy]
        if (x < 0 || y < 0 || x >= size || y >= size) continue
        const ring = Math.max(Math.abs(dx - 3), Math.abs(dy - 3))
        if (at(x, y) !== (ring !== 2 && ring !== 4)) refuse('a finder pattern')
      }
    }
  }
  for (let i = 8; i < size - 8; i += 1)
    if (at(i, 6) !== (i % 2 === 0) || at(6, i) !== (i % 2 === 0)) refuse('a timing pattern')
}

function readFormat(at: (x: number, y: number) => boolean, size: number) {
  const near = (i: number): [number, number] => (i < 6 ? [8, i] : i < 8 ? [8, i + 1] : i === 8 ? [7, 8] : [14 - i, 8])
  const far = (i: number): [number, number] => (i < 8 ? [size - 1 - i, 8] : [8, size - 15 + i])
  const bitsBy = (place: (i: number) => [number, number]) =>
    Array.from({ length: 15 }, (_, i) => Number(at(...place(i))) << i).reduce((sum, bit) => sum | bit)
  const bits = bitsBy(near)
  if (bits !== bitsBy(far)) refuse('two format fields that differ')
  const plain = bits ^ 0x5412
  // BCH (15,5): the field is a multiple of the generator polynomial.
  let rest = plain
  for (let i = 14; i >= 10; i -= 1) if ((rest >> i) & 1) rest ^= 0x537 << (i - 10)
  if (rest !== 0) refuse('a format field with an error')
  return { level: LEVELS[((plain >> 13) & 3) as 0 | 1 | 2 | 3], mask: MASKS[(plain >> 10) & 7]! }
}

function readCodewords(
  at: (x: number, y: number) => boolean,
  given: { size: number; version: number; mask: (x: number, y: number) => boolean },
): number[] {
  const { size, version, mask } = given
  const places = ALIGNED[version - 1]!
  const last = places.length - 1
  const isAligned = (x: number, y: number) =>
    places.some((cx, i) =>
      places.some((cy, j) => {
        const onFinder = (i === 0 && j === 0) || (i === 0 && j === last) || (i === last && j === 0)
        return !onFinder && Math.abs(x - cx) <= 2 && Math.abs(y - cy) <= 2
      }),
    )
  const isFunction = (x: number, y: number): boolean =>
    (x < 9 && y < 9) ||
    (x >= size - 8 && y < 9) ||
    (x < 9 && y >= size - 8) ||
    x === 6 ||
    y === 6 ||
    isAligned(x, y) ||
    (version >= 7 && ((x < 6 && y >= size - 11) || (y < 6 && x >= size - 11)))
  const bits: number[] = []
  for (let right = size - 1; right >= 1; right -= 2) {
    if (right === 6) right = 5
    for (let step = 0; step < size; step += 1) {
      const y = ((right + 1) & 2) === 0 ? size - 1 - step : step
      for (const x of [right, right - 1]) if (!isFunction(x, y)) bits.push(Number(at(x, y) !== mask(x, y)))
    }
  }
  return Array.from({ length: Math.floor(bits.length / 8) }, (_, i) =>
    bits.slice(8 * i, 8 * i + 8).reduce((byte, bit) => byte * 2 + bit, 0),
  )
}

/** GF(256) over x^8 + x^4 + x^3 + x^2 + 1. */
function times(a: number, b: number): number {
  let product = 0
  for (let i = 7; i >= 0; i -= 1) {
    product = (product << 1) ^ ((product >> 7) * 0x11d)
    if ((b >> i) & 1) product ^= a
  }
  return product
}

function joinBlocks(codewords: number[], table: (typeof TABLE)['L'], version: number): number[] {
  const [ecc, count] = [table.ecc[version - 1]!, table.blocks[version - 1]!]
  const shortLength = Math.floor(codewords.length / count)
  const shortCount = count - (codewords.length % count)
  const blocks = Array.from({ length: count }, () => [] as number[])
  let next = 0
  for (let i = 0; i < shortLength - ecc + 1; i += 1)
    for (let b = 0; b < count; b += 1) if (i < shortLength - ecc || b >= shortCount) blocks[b]!.push(codewords[next++]!)
  const data = blocks.flat()
  for (let i = 0; i < ecc; i += 1) for (const block of blocks) block.push(codewords[next++]!)
  for (const block of blocks) {
    for (let root = 1, i = 0; i < ecc; i += 1, root = times(root, 2))
      if (block.reduce((value, word) => times(value, root) ^ word, 0) !== 0) refuse('a block with an error')
  }
  return data
}

function readBytes(data: number[], version: number): string {
  const bits = data.flatMap((byte) => Array.from({ length: 8 }, (_, i) => (byte >> (7 - i)) & 1))
  const take = (length: number) => bits.splice(0, length).reduce((value, bit) => value * 2 + bit, 0)
  if (take(4) !== 4) refuse('a segment that is not of bytes')
  const length = take(version < 10 ? 8 : 16)
  const bytes = Uint8Array.from({ length }, () => take(8))
  if (bits.length >= 4 && take(4) !== 0) refuse('a second segment')
  return new TextDecoder('utf-8', { fatal: true }).decode(bytes)
}

/** The dark modules of an SVG of one path of squares `Mx yh1v1h-1z`. */
export function modulesOfSvg(svg: string): { rows: boolean[][]; quiet: number } {
  const side = Number(/viewBox="0 0 (\d+) \1"/.exec(svg)![1])
  const dark = [...svg.matchAll(/M(\d+) (\d+)h1v1h-1z/g)].map((match) => [Number(match[1]), Number(match[2])] as const)
  const quiet = Math.min(...dark.map(([x]) => x))
  const size = side - 2 * quiet
  const rows = Array.from({ length: size }, () => Array.from({ length: size }, () => false))
  for (const [x, y] of dark) rows[y - quiet]![x - quiet] = true
  return { rows, quiet }
}
