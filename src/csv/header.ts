// The first row of a list: which column holds what, by our names and by a few plain trade words for them. Pure.
import { readCell, shortened } from './cell.js'
import type { Finding } from './finding.js'

export interface Header<Name extends string> {
  /** By position; null: not ours, its cells are not looked at. */
  columns: (Name | null)[]
  faults: Finding[]
  cautions: Finding[]
}

/** A table of some other thing has columns without end; after so many it is clear. */
const UNKNOWN_NAMED_MAX = 100

/** `Serial No.`, `serial_no` and `SerialNo` are one name. */
const keyOf = (text: string): string =>
  readCell(text)
    .text.normalize('NFKC')
    .toLowerCase()
    .replace(/[^\p{L}\p{N}]/gu, '')

/** @param names our names, each with further words for it */
export function readHeader<Name extends string>(
  row: { line: number; cells: readonly string[] },
  names: Readonly<Record<Name, readonly string[]>>,
): Header<Name> {
  const byKey = new Map<string, Name>()
  for (const name of Object.keys(names) as Name[]) {
    for (const word of [name, ...names[name]]) byKey.set(keyOf(word), name)
  }
  const header: Header<Name> = { columns: [], faults: [], cautions: [] }
  const known = Object.keys(names).join(', ')
  let unknown = 0
  for (const cell of row.cells) {
    const key = keyOf(cell)
    const name = byKey.get(key) ?? null
    const at = { line: row.line, value: shortened(cell) }
    const twin = name === null ? -1 : header.columns.indexOf(name)
    header.columns.push(name)
    if (name !== null && twin >= 0) {
      const other = shortened(row.cells[twin]!)
      const detail = `The columns ${other} and ${at.value} are both read as ${name}: rename one, or keep the one that counts.`
      header.faults.push({ ...at, column: name, code: 'column-doubled', detail })
    }
    if (name === null && key !== '') {
      unknown += 1
      if (unknown > UNKNOWN_NAMED_MAX) continue
      const detail = `The column ${at.value} is not known here and was not read. Known are ${known}.`
      header.cautions.push({ ...at, column: null, code: 'column-unknown', detail })
    }
  }
  if (unknown > UNKNOWN_NAMED_MAX) {
    const detail = `${unknown - UNKNOWN_NAMED_MAX} further columns are not known here and were not read.`
    header.cautions.push({ line: row.line, column: null, value: '', code: 'column-unknown', detail })
  }
  return header
}
