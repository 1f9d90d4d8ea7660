// Tables of text: RFC 4180 §2 for reading and writing, OWASP for what may not stand at the front of a cell, and the forms in
// which spreadsheets save (common practice, no source).
import { spawnSync } from 'node:child_process'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { bareDigits, guardCell, guardFormula, readCell, shortened } from '../../src/csv/cell.js'
import { delimiterOf } from '../../src/csv/dialect.js'
import { openTable, TableFault, type TableRow } from '../../src/csv/table.driver.js'
import { BOM, csvRows } from '../../src/csv/write.js'
import { loadVectors } from '../support/vectors.js'

let folder: string
beforeAll(() => {
  folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-csv-'))
})
afterAll(() => rmSync(folder, { recursive: true, force: true }))

async function read(content: string | Uint8Array): Promise<{ encoding: string; delimiter: string; rows: TableRow[] }> {
  const file = path.join(folder, 'table.csv')
  writeFileSync(file, content)
  const table = await openTable(file)
  const rows: TableRow[] = []
  for await (const row of table.rows()) rows.push(row)
  return { encoding: table.encoding, delimiter: table.delimiter, rows }
}
const cellsOf = async (content: string | Uint8Array) => (await read(content)).rows.map(({ cells }) => cells)

interface Vector {
  id: string
  group: string
  section: string
  text: string
  rows: string[][]
  field: string
  written?: string
  dangerous_first_characters: string[]
  asvs_also_lists: string[]
  full_width_forms: string[]
}
const { vectors } = loadVectors<Vector>('csv')
const ofGroup = (group: string) => vectors.filter((vector) => vector.group === group)

describe('the vectors', () => {
  it.each(ofGroup('csv'))('$id is read ($section)', async ({ text, rows }) => {
    expect(await cellsOf(text)).toEqual(rows)
    expect(await cellsOf(csvRows(rows))).toEqual(rows)
  })

  it.each(ofGroup('csv-write'))('$id is written ($section)', ({ field, written }) => {
    // An empty row of one cell is written as an empty line; beside another cell it shows.
    expect(csvRows([[field, 'next']])).toBe(`${written},next\r\n`)
  })

  it.each(ofGroup('csv-injection').filter(({ field }) => field !== undefined))(
    '$id does not begin like a formula, and is read back ($section)',
    async ({ field, written }) => {
      for (const guard of [guardFormula, guardCell]) {
        const text = csvRows([[guard(field)]])
        if (written !== undefined) expect(text).toBe(`${written}\r\n`)
        const [[cell]] = (await cellsOf(text)) as [[string]]
        expect(cell).toBe(`'${field}`)
        expect(readCell(cell).text).toBe(field)
      }
    },
  )

  it('name the signs that no cell may begin with', () => {
    const [list] = ofGroup('csv-injection') as [Vector]
    for (const sign of [...list.dangerous_first_characters, ...list.asvs_also_lists, ...list.full_width_forms]) {
      expect(guardFormula(`${sign}x`)).toBe(`'${sign}x`)
      expect(guardCell(`${sign}x`)).toBe(`'${sign}x`)
    }
    for (const plain of ['x=1', 'a@b', 'one-two', '']) expect(guardFormula(plain)).toBe(plain)
  })
})

describe('what a spreadsheet would change', () => {
  it.each([
    '490154203237518',
    '8944110000000000008',
    '0049',
    '1-2',
    '3E5',
    '3.10',
    '50%',
    '(5)',
    '$5',
    'MAR-12',
    'Sept 2',
    'TRUE',
    'false',
    ' a',
    'a\u00a0',
    "'a",
  ])('%j goes out behind an apostrophe', (text) => {
    expect(guardCell(text)).toBe(`'${text}`)
  })
  it.each(['', '0', '500000000', 'depot north', 'S-0001', 'B', 'marble', 'Europe/Berlin', 'unit 5'])(
    '%j goes out as it is',
    (text) => {
      expect(guardCell(text)).toBe(text)
    },
  )
  it('every text comes back as it was', async () => {
    const signs = fc.constantFrom(...'=+-@\t\r\n\0\'"\\,; |aA0579.()\u00a0\u200b\ufeffé\u{1f69a}', '="', '""')
    const text = fc.oneof(
      fc.array(signs, { maxLength: 12 }).map((all) => all.join('')),
      fc.string({ unit: 'grapheme' }),
    )
    await fc.assert(
      fc.asyncProperty(fc.array(fc.tuple(text, text), { minLength: 1, maxLength: 8 }), async (rows) => {
        const sent = BOM + csvRows([['one', 'two'], ...rows.map((row) => row.map(guardCell))])
        const [, ...back] = await cellsOf(sent)
        expect(back.map((row) => row.map((cell) => readCell(cell).text))).toEqual(rows)
        expect(back.flat().filter((cell) => /^[=+\-@\t\r\n\0]/.test(cell))).toEqual([])
      }),
      { numRuns: 200 },
    )
  })
})

describe('a table is read as it was saved', () => {
  const ROWS = [
    ['imei', 'notes'],
    ['490154203237518', 'Köln, Straße'],
  ]
  const commas = '"imei","notes"\r\n"490154203237518","Köln, Straße"\r\n'
  const semicolons = 'imei;notes\r\n490154203237518;Köln, Straße\r\n'
  const utf16be = (text: string) => Buffer.from(text, 'utf16le').swap16()
  it.each<[string, Uint8Array | string, string, string]>([
    ['UTF-8', commas, 'utf-8', ','],
    ['UTF-8 with a byte order mark', BOM + commas, 'utf-8', ','],
    ['semicolons', semicolons, 'utf-8', ';'],
    [
      'tabs in UTF-16, as "Unicode text"',
      Buffer.from(BOM + semicolons.replaceAll(';', '\t'), 'utf16le'),
      'utf-16le',
      '\t',
    ],
    ['UTF-16 the other way round', utf16be(BOM + semicolons), 'utf-16be', ';'],
    ['UTF-16 without a mark', Buffer.from(semicolons, 'utf16le'), 'utf-16le', ';'],
    ['Windows-1252', Buffer.from(semicolons, 'latin1'), 'windows-1252', ';'],
    ['sep=; before the header', `sep=;\r\n${semicolons}`, 'utf-8', ';'],
    ['lone carriage returns', semicolons.replaceAll('\r\n', '\r'), 'utf-8', ';'],
    ['line feeds', semicolons.replaceAll('\r\n', '\n'), 'utf-8', ';'],
    ['bars', semicolons.replaceAll(';', '|'), 'utf-8', '|'],
  ])('%s', async (_what, content, encoding, delimiter) => {
    const table = await read(content)
    expect(table).toMatchObject({ encoding, delimiter })
    expect(table.rows.map(({ cells }) => cells)).toEqual(ROWS)
  })

  it('each row with the line at which it begins, whatever line breaks are in it', async () => {
    for (const end of ['\r\n', '\n', '\r']) {
      const text = ['a;b', '1;"x', 'y', 'z"', '', '2;"', '"', '3;', ''].join(end)
      const { rows } = await read(text)
      expect(rows.filter(({ cells }) => cells.join('') !== '').map(({ line, cells }) => [line, cells[0]])).toEqual([
        [1, 'a'],
        [2, '1'],
        [6, '2'],
        [8, '3'],
      ])
    }
    expect((await read('sep=,\r\na,b\r\n1,2\r\n')).rows.map(({ line }) => line)).toEqual([2, 3])
  })

  it('quotes in the middle of a cell are signs; one that never closes names its row', async () => {
    expect(await cellsOf('a,b\n7" display,x\n')).toEqual([
      ['a', 'b'],
      ['7" display', 'x'],
    ])
    await expect(read('a,b\n1,2\n"3,4\n5,6\n')).rejects.toMatchObject({ line: 3, code: 'quote-not-closed' })
    await expect(read(`a\n${'x'.repeat(70_000)}\n`)).rejects.toMatchObject({ line: 2, code: 'row-too-long' })
  })

  it('workbooks and other files that are no text are named', async () => {
    for (const bytes of [
      [0x50, 0x4b, 3, 4],
      [0xd0, 0xcf, 0x11, 0xe0],
      [0x25, 0x50, 0x44, 0x46],
    ]) {
      await expect(read(Uint8Array.from(bytes))).rejects.toBeInstanceOf(TableFault)
    }
  })

  it('any bytes give rows or a fault that says where', async () => {
    await fc.assert(
      fc.asyncProperty(fc.uint8Array({ maxLength: 300 }), async (bytes) => {
        const rows = await read(bytes).then(
          (table) => table.rows,
          (error) => {
            expect(error).toBeInstanceOf(TableFault)
            return []
          },
        )
        for (const [index, row] of rows.entries()) expect(row.line).toBeGreaterThan(rows[index - 1]?.line ?? 0)
      }),
      { numRuns: 300 },
    )
  })

  it.runIf(spawnSync('python3', ['--version']).status === 0)('as the csv module of Python writes it', async () => {
    const file = path.join(folder, 'python.csv')
    const rows = [
      ['a', 'b;c', 'd"e'],
      ['line\nbreak', 'cr\rlf\r\n', ' ends '],
      ['', "'", '=1+2'],
    ]
    for (const [dialect, encoding] of [
      ['excel', 'utf-8-sig'],
      ['excel-tab', 'utf-16'],
      ['unix', 'utf-8'],
    ]) {
      const script = `import csv, json, sys
with open(sys.argv[1], 'w', newline='', encoding='${encoding}') as f: csv.writer(f, dialect='${dialect}').writerows(json.loads(sys.argv[2]))`
      expect(spawnSync('python3', ['-c', script, file, JSON.stringify(rows)]).status).toBe(0)
      const table = await openTable(file)
      const back: string[][] = []
      for await (const row of table.rows()) back.push(row.cells)
      expect(back, dialect).toEqual(rows)
    }
  })
})

describe('small parts', () => {
  it('the separator is told by the first line that is not blank, outside of quotes', () => {
    expect(delimiterOf('\n\n"a,b,c,d";e\n1,2,3\n')).toBe(';')
    expect(delimiterOf('a\nb,c')).toBe(',')
    expect(delimiterOf('a,b;c')).toBe(',')
  })

  it('digits lose what is put between them, and text with letters loses nothing', () => {
    expect(bareDigits('49-015420-323751-8')).toBe('490154203237518')
    expect(bareDigits('４９０１')).toBe('4901')
    for (const text of ['8,9E+14', 'AB-12', '4901542O', '']) expect(bareDigits(text)).toBe(text)
  })

  it('a value that is shown has a bound, and no line break', () => {
    expect(shortened('x'.repeat(500))).toBe(`${'x'.repeat(60)}…`)
    expect(shortened('a\r\nb\0')).toBe('a␣␣b␣')
    fc.assert(fc.property(fc.string({ unit: 'grapheme', maxLength: 300 }), (text) => [...shortened(text)].length <= 61))
  })
})
