// Reads a table of text from a file, row by row, whatever it was saved with. Memory stays flat: rows are handed out as they
// are read, and a row has a bound.
import { createReadStream } from 'node:fs'
import { open } from 'node:fs/promises'
import { Readable } from 'node:stream'
import { CsvError, parse } from 'csv-parse'
import { BEGINNING_BYTES, delimiterOf, type Encoding, encodingOf, foreignKind, isSepLine } from './dialect.js'

/** Notes have 4,000 characters; a row beyond this is a quote that was never closed. */
const ROW_MAX_BYTES = 64 * 1024

export interface TableRow {
  /** The line of the file at which the row begins, from 1; line breaks inside of quotes count. */
  line: number
  cells: string[]
}

/** What makes the rest of a file unreadable. */
export class TableFault extends Error {
  readonly line: number
  readonly code: 'file-not-csv' | 'quote-not-closed' | 'row-too-long'
  constructor(line: number, code: TableFault['code'], detail: string) {
    super(detail)
    this.name = 'TableFault'
    this.line = line
    this.code = code
  }
}

export interface Table {
  encoding: Encoding
  delimiter: string
  /** @throws TableFault */
  rows(): AsyncGenerator<TableRow>
}

export async function openTable(file: string): Promise<Table> {
  const beginning = await readBeginning(file)
  const foreign = foreignKind(beginning)
  if (foreign) {
    const detail = `This is ${foreign}, not a table of text: open it in a spreadsheet and save it as CSV.`
    throw new TableFault(1, 'file-not-csv', detail)
  }
  const mayBeUtf8 = await isUtf8(file)
  const encoding = encodingOf(beginning, () => mayBeUtf8)
  const delimiter = delimiterOf(new TextDecoder(encoding).decode(beginning))
  return { encoding, delimiter, rows: () => rowsOf(file, { encoding, delimiter }) }
}

async function readBeginning(file: string): Promise<Uint8Array> {
  const handle = await open(file, 'r')
  try {
    const { buffer, bytesRead } = await handle.read(Buffer.alloc(BEGINNING_BYTES), 0, BEGINNING_BYTES, 0)
    return buffer.subarray(0, bytesRead)
  } finally {
    await handle.close()
  }
}

async function isUtf8(file: string): Promise<boolean> {
  const decoder = new TextDecoder('utf-8', { fatal: true })
  try {
    for await (const piece of createReadStream(file)) decoder.decode(piece as Buffer, { stream: true })
    decoder.decode()
    return true
  } catch (error) {
    if (error instanceof TypeError) return false
    throw error
  }
}

async function* decoded(file: string, encoding: Encoding): AsyncGenerator<string> {
  const decoder = new TextDecoder(encoding)
  for await (const piece of createReadStream(file)) yield decoder.decode(piece as Buffer, { stream: true })
  yield decoder.decode()
}

async function* rowsOf(file: string, form: { encoding: Encoding; delimiter: string }): AsyncGenerator<TableRow> {
  const source = Readable.from(decoded(file, form.encoding))
  const parser = parse({
    delimiter: form.delimiter,
    record_delimiter: ['\r\n', '\n', '\r'],
    relax_column_count: true,
    // A quote in the middle of a cell is a sign like any other: 7" displays are known.
    relax_quotes: true,
    max_record_size: ROW_MAX_BYTES,
    // The parser's own count of lines is off by the line breaks inside of quotes; the text of the row has them all.
    raw: true,
  })
  source.on('error', (error) => parser.destroy(error))
  let line = 1
  try {
    for await (const piece of source.pipe(parser)) {
      const { record, raw } = piece as { record: string[]; raw: string }
      const isFirst = line === 1
      const begins = line
      line += breaksIn(raw)
      if (isFirst && begins === 1 && isSepLine(raw)) continue
      yield { line: begins, cells: record }
    }
  } catch (error) {
    throw error instanceof CsvError ? faultOf(error, line) : error
  } finally {
    source.destroy()
    parser.destroy()
  }
}

/** Each row ends with its line break, or with the first half of one of two signs. */
const breaksIn = (raw: string): number => raw.match(/\r\n|\r|\n/g)?.length ?? 0

function faultOf(error: CsvError, line: number): TableFault {
  if (error.code === 'CSV_QUOTE_NOT_CLOSED') {
    const detail = `A quote opens in the row that begins in line ${line} and is never closed: close it or take it out.`
    return new TableFault(line, 'quote-not-closed', detail)
  }
  const detail = `The row that begins in line ${line} is longer than ${ROW_MAX_BYTES} bytes: is there a quote that is never closed?`
  return new TableFault(line, 'row-too-long', detail)
}
