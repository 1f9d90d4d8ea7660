// Sets of byte spans, first and last inclusive, counted here anew: the server's own arithmetic is what is being checked.
export type Span = [first: number, last: number]

export function unite(spans: readonly Span[]): Span[] {
  const united: Span[] = []
  for (const [first, last] of [...spans].sort((a, b) => a[0] - b[0])) {
    const before = united.at(-1)
    if (before && first <= before[1] + 1) before[1] = Math.max(before[1], last)
    else united.push([first, last])
  }
  return united
}

export const covers = (united: readonly Span[], [first, last]: Span): boolean =>
  united.some((one) => one[0] <= first && last <= one[1])
