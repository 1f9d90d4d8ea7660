// Rows of a table as text (RFC 4180 §2). Pure: cells are guarded by whoever knows what they are for (cell.ts).
import { stringify } from 'csv-stringify/sync'

/** So that a spreadsheet reads UTF-8 as what it is. */
export const BOM = '\uFEFF'

/** An apostrophe is quoted too: some readers take it for a quote of their own. Blanks at the ends survive in quotes. */
const QUOTED = /[",\r\n']|^\s|\s$/

export const csvRows = (rows: readonly (readonly string[])[]): string =>
  stringify(rows as string[][], { record_delimiter: '\r\n', quoted_match: QUOTED })
