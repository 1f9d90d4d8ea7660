// The first row of a list: which column holds what, by our names and by a few plain trade words for them. Pure.
import { readCell, shortened } from './cell.js'
import type { Finding } from './finding.js'

export interface Header<Name extends string> {
  /** By position; null: not ours, its cells are not looked at. */
  columns: (Name | null)[]
  faults: Finding[]
  cautions: Finding[]
}

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
  for (const cell of row.cells) {
    const key = keyOf(cell)
    const name = byKey.get(key) ?? null
    const at = { line: row.line, value: shortened(cell) }
    if (name !== null && header.columns.includes(name)) {
      const other = shortened(row.cells[header.columns.indexOf(name)]!)
      const detail = `The columns ${other} and ${at.value} are both read as ${name}: rename one, or keep the one that counts.`
      header.faults.push({ ...at, column: name, code: 'column-doubled', detail })
    }
    if (name === null && key !== '') {
      const detail = `The column ${at.value} is not known here and was not read. Known are ${known}.`
      header.cautions.push({ ...at, column: null, code: 'column-unknown', detail })
    }
    header.columns.push(name)
  }
  return header
}
