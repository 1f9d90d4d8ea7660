// Reads a Range field against a file's size (RFC 9110 §14.1.1, §14.1.2, §14.2). Pure.
// One range is served. Several are answered with the whole file, which §14.2 allows: no multipart for dumb clients.

export type ByteRange =
  /** No field, another unit, wrong syntax, or several ranges: the whole file (§14.2: such a field may be ignored). */
  | { kind: 'whole' }
  /** Valid, but no byte of the file is in it: 416. */
  | { kind: 'unsatisfiable' }
  | { kind: 'part'; first: number; last: number; openEnded: boolean }

const WHOLE: ByteRange = { kind: 'whole' }
const UNSATISFIABLE: ByteRange = { kind: 'unsatisfiable' }

export function readRange(field: string | undefined, sizeBytes: number): ByteRange {
  const set = /^bytes=(.*)$/i.exec(field ?? '')?.[1]
  if (set === undefined) return WHOLE
  // §5.6.1.2: empty members of a list are skipped.
  const members = set
    .split(',')
    .map((member) => member.trim())
    .filter((member) => member !== '')
  const specs = members.map(readSpec)
  const [spec] = specs
  if (specs.length !== 1 || !spec) return WHOLE
  return 'suffix' in spec ? lastBytes(spec.suffix, sizeBytes) : fromTo(spec, sizeBytes)
}

type Spec = { suffix: bigint } | { first: bigint; last: bigint | null }

/** Positions are read as BigInt: a unit may ask up to 2^64 - 1, and that must not wrap or round. */
function readSpec(member: string): Spec | null {
  const match = /^(\d*)-(\d*)$/.exec(member)
  if (!match || member === '-') return null
  const [, first, last] = match as unknown as [string, string, string]
  if (first === '') return { suffix: BigInt(last) }
  const spec = { first: BigInt(first), last: last === '' ? null : BigInt(last) }
  return spec.last !== null && spec.last < spec.first ? null : spec
}

function lastBytes(suffix: bigint, sizeBytes: number): ByteRange {
  if (suffix === 0n) return UNSATISFIABLE
  // A suffix is satisfiable on an empty file, but no Content-Range can say so: the whole (empty) file.
  if (sizeBytes === 0) return WHOLE
  const length = suffix > BigInt(sizeBytes) ? sizeBytes : Number(suffix)
  return { kind: 'part', first: sizeBytes - length, last: sizeBytes - 1, openEnded: false }
}

function fromTo(spec: { first: bigint; last: bigint | null }, sizeBytes: number): ByteRange {
  if (spec.first >= BigInt(sizeBytes)) return UNSATISFIABLE
  const end = sizeBytes - 1
  const last = spec.last === null || spec.last > BigInt(end) ? end : Number(spec.last)
  return { kind: 'part', first: Number(spec.first), last, openEnded: spec.last === null }
}
