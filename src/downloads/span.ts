// Sets of byte positions as sorted, disjoint, inclusive spans [first, last]. Pure.

export type Span = [first: number, last: number]

/** How many spans a set may have: a client that asks for scattered crumbs cannot grow the record beyond this. */
export const SPANS_MAX = 10_000

/** The union, sorted; spans that touch are joined. Spans with last < first are empty and vanish. */
export function union(a: readonly Span[], b: readonly Span[]): Span[] {
  const sorted = [...a, ...b].filter(([first, last]) => last >= first).sort((x, y) => x[0] - y[0])
  const joined: Span[] = []
  for (const [first, last] of sorted) {
    const previous = joined.at(-1)
    if (previous && first <= previous[1] + 1) previous[1] = Math.max(previous[1], last)
    else joined.push([first, last])
  }
  return joined
}

/** Adds one span to a set in place; gives the parts that were not in it. Cheap where the set is long. */
export function absorb(set: Span[], [first, last]: Span): Span[] {
  if (last < first) return []
  let low = 0
  for (let high = set.length; low < high; ) {
    const middle = (low + high) >> 1
    if (set[middle]![1] < first - 1) low = middle + 1
    else high = middle
  }
  const added: Span[] = []
  const joined: Span = [first, last]
  let from = first
  let end = low
  for (; end < set.length && set[end]![0] <= last + 1; end += 1) {
    const [heldFirst, heldLast] = set[end]!
    if (heldFirst > from) added.push([from, heldFirst - 1])
    from = Math.max(from, heldLast + 1)
    joined[0] = Math.min(joined[0], heldFirst)
    joined[1] = Math.max(joined[1], heldLast)
  }
  if (from <= last) added.push([from, last])
  set.splice(low, end - low, joined)
  return added
}

/** What is in a and not in b. */
export function subtract(a: readonly Span[], b: readonly Span[]): Span[] {
  const rest: Span[] = []
  const holes = union(b, [])
  for (const [first, last] of union(a, [])) {
    let from = first
    for (const [holeFirst, holeLast] of holes) {
      if (holeLast < from) continue
      if (holeFirst > last) break
      if (holeFirst > from) rest.push([from, holeFirst - 1])
      from = holeLast + 1
    }
    if (from <= last) rest.push([from, last])
  }
  return rest
}

export function sizeOf(spans: readonly Span[]): number {
  return spans.reduce((sum, [first, last]) => sum + last - first + 1, 0)
}

/** Whether the set is the whole of a file; the empty file is covered by nothing. */
export function coversWhole(spans: readonly Span[], sizeBytes: number): boolean {
  return sizeBytes === 0 || (spans.length === 1 && spans[0]![0] <= 0 && spans[0]![1] >= sizeBytes - 1)
}

/** Keeps the largest spans where there are too many: a set of claims may shrink, never grow. */
export function bounded(spans: Span[], max = SPANS_MAX): Span[] {
  if (spans.length <= max) return spans
  return [...spans]
    .sort((x, y) => y[1] - y[0] - (x[1] - x[0]))
    .slice(0, max)
    .sort((x, y) => x[0] - y[0])
}
