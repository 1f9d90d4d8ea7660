import { readFileSync } from 'node:fs'

const read = (name: string): unknown => JSON.parse(readFileSync(new URL(`../vectors/${name}`, import.meta.url), 'utf8'))

/** A file of check values from published standards; `name` without `.json`. */
export function loadVectors<V extends { id: string }, Rest = unknown>(name: string): Rest & { vectors: V[] } {
  return read(`${name}.json`) as Rest & { vectors: V[] }
}

/** The ids of the vectors in this file that we answer otherwise, on purpose; the list says why. */
export function intendedDifferences(name: string): Set<string> {
  const rows = read('intended-differences.json') as { file: string; id: string; ours: string; why: string }[]
  return new Set(rows.filter(({ file }) => file === `${name}.json`).map(({ id }) => id))
}
