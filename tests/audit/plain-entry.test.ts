// The quick reader of an entry line against the one that reads any JSON: whatever it takes, it says the same of it, and it
// takes what the server writes. Whether a text is canonical is held against canonicalJson(), which has its own vectors.
import { hash } from 'node:crypto'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { canonicalJson } from '../../src/audit/canonical-json.js'
import { isCanonicalValue } from '../../src/audit/canonical-text.js'
import { EMPTY_HEAD, entryHash, sealEntry, sealWithText } from '../../src/audit/chain.js'
import { entryLine } from '../../src/audit/export.js'
import { exportLineBatches, exportLines, LINE_MAX, readAnyLine, readExportLine } from '../../src/audit/export-lines.js'
import { readPlainEntry } from '../../src/audit/plain-entry.js'

const text = fc.oneof(
  fc.string({ unit: 'grapheme', maxLength: 12 }),
  fc.constantFrom('', 'é', '"', '\\', '\u2028', '\u007f', '\ud83d\ude00', '__proto__', 'hash', 'labels'),
)
const detail = fc.dictionary(
  text,
  fc.oneof(
    text,
    fc.integer(),
    fc.double({ noNaN: true, noDefaultInfinity: true }),
    fc.boolean(),
    fc.constant(null),
    fc.array(fc.nat(), { maxLength: 3 }),
    fc.dictionary(text, text, { maxKeys: 3 }),
  ),
  { maxKeys: 5 },
)
const sealed = fc
  .record({
    action: fc.constantFrom('task.issued', 'checkin.accepted'),
    unit: fc.option(text),
    detail,
    labels: fc.option(fc.dictionary(text, text, { maxKeys: 4 })),
    seq: fc.nat(1_000_000),
  })
  .map(({ action, unit, detail, labels, seq }) =>
    sealWithText(
      { seq, hash: EMPTY_HEAD.hash },
      {
        ...{ at: '2025-03-01T09:00:00.000Z', actor: { id: 'k', role: 'operator', via: 'api' as const }, action, unit },
        ...{ task: null, package: null, fromVersion: null, toVersion: null, sha256: null, detail },
      },
      labels === null ? null : { ...labels, salt: '00ff' },
    ),
  )
const lineOf = ({ entry, text, labelsText }: ReturnType<typeof sealWithText>): string =>
  entryLine({ seq: entry.seq, atMs: 0, body: text, hash: entry.hash, labels: labelsText })

describe('an entry as the server writes it', () => {
  it('is hashed in the form of RFC 8785, members sorted', () => {
    fc.assert(
      fc.property(sealed, ({ entry, text, labelsText }) => {
        const { hash, labels, ...hashed } = entry
        expect(text).toBe(canonicalJson(hashed))
        expect(hash).toBe(entryHash({ ...entry }))
        expect(labelsText).toBe(labels === null ? null : canonicalJson(labels))
      }),
    )
  })

  it('is read the quick way, and the slow way says the same', () => {
    const { entry, text, labelsText } = sealWithText(
      EMPTY_HEAD,
      {
        ...{ at: '2025-03-01T09:00:00.000Z', actor: { id: 'k', role: 'operator', via: 'api' }, action: 'task.issued' },
        ...{ unit: 'u_1', task: null, package: null, fromVersion: '1', toVersion: '2', sha256: null },
        detail: { method: 'air', force: false, n: 12, list: [1, 'é'], empty: {} },
      },
      { salt: '00ff', actorName: 'Åsa', phone: '+46700000000' },
    )
    const line = lineOf({ entry, text, labelsText })
    expect(readPlainEntry(line, 7)).toEqual({
      ...{ type: 'entry', line: 7, seq: 1, prev: EMPTY_HEAD.hash, hash: entry.hash, valid: true },
    })
    expect(readAnyLine(line, 7)).toEqual(readPlainEntry(line, 7))
    const erased = line.replace(labelsText!, 'null')
    expect(readPlainEntry(erased, 7)).toEqual(readAnyLine(erased, 7))
    expect(readPlainEntry(erased, 7)).not.toBeNull()
  })

  it('is not taken by the quick way where anything in it is another way or wrong', () => {
    const plain = sealEntry(EMPTY_HEAD, { ...SAMPLE }, { salt: '00ff', phone: '1' })
    const changes: ((line: string) => string)[] = [
      (line) => line.replace('"unit":"u_1"', '"unit":"u_2"'),
      (line) => line.replace('"unit":"u_1"', '"unit": "u_1"'),
      (line) => line.replace('u_1', '\\u0075_1'),
      (line) => line.replace('"phone":"1"', '"phone":"2"'),
      (line) => line.replace('"phone":"1","salt":"00ff"', '"salt":"00ff","phone":"1"'),
      (line) => line.replace('"seq":1', '"seq":1,"seq":1'),
      (line) => line.replace('"labels":', '"more":1,"labels":'),
      (line) => `${line} `,
      (line) => ` ${line}`,
      (line) => line.replace(plain.hash, plain.hash.toUpperCase()),
      (line) => line.replace('"type":"entry"', '"type":"other"'),
    ]
    const line = lineOf(sealWithText(EMPTY_HEAD, { ...SAMPLE }, { salt: '00ff', phone: '1' }))
    expect(readPlainEntry(line, 1)).not.toBeNull()
    for (const change of changes) {
      expect(change(line)).not.toBe(line)
      expect(readPlainEntry(change(line), 1), change(line)).toBeNull()
      expect(readExportLine(change(line), 1)).toEqual(readAnyLine(change(line), 1))
    }
  })
})

const hashOfText = (body: string): string => hash('sha256', body, 'hex')

const SAMPLE = {
  ...{ at: '2025-03-01T09:00:00.000Z', actor: { id: 'k', role: 'operator', via: 'api' as const }, action: 'a.b' },
  ...{ unit: 'u_1', task: null, package: null, fromVersion: null, toVersion: null, sha256: null, detail: { n: 1 } },
}

describe('any line, cut, doubled, patched or made up', () => {
  const patch = fc.record({
    at: fc.nat(1000),
    remove: fc.nat(4),
    insert: fc.oneof(text, fc.constantFrom(',', '{', '}', '0', '1', '"a":1,', 'null', ' ')),
  })
  it('gets the same verdict with the quick reader as without it', () => {
    fc.assert(
      fc.property(sealed, fc.array(patch, { maxLength: 3 }), fc.boolean(), (entry, patches, isOwn) => {
        let line = isOwn ? lineOf(entry) : JSON.stringify(entry.entry)
        for (const { at, remove, insert } of patches) {
          const from = at % (line.length + 1)
          line = line.slice(0, from) + insert + line.slice(from + remove)
        }
        expect(readExportLine(line, 3)).toEqual(readAnyLine(line, 3))
      }),
      { numRuns: 2000 },
    )
  })

  it('also where the hash was made to fit a text that is not canonical', () => {
    const bodies = [
      '{"seq":1,"prev":"0","type":"entry"}',
      '{"prev":"0","seq":1.0,"type":"entry"}',
      '{"prev":"0","seq":01,"type":"entry"}',
    ]
    const more = [
      '{"a":{"b":1,"b":1},"prev":"0","seq":1,"type":"entry"}',
      '{"prev":"0","seq":1,"type":"entry","unit":"\\u0061"}',
    ]
    const last = [
      '{"prev":"0","seq":9007199254740993,"type":"entry"}',
      '{"__proto__":1,"prev":"0","seq":1,"type":"entry"}',
    ]
    for (const body of [...bodies, ...more, ...last, '{"prev":"0","seq":1,"type":"entry"}']) {
      const line = entryLine({ seq: 1, atMs: 0, body, hash: hashOfText(body), labels: null })
      expect(readExportLine(line, 1), line).toEqual(readAnyLine(line, 1))
    }
  })
})

describe('whether a text is canonical', () => {
  it('is never said of one that is not', () => {
    fc.assert(
      fc.property(fc.json({ maxDepth: 4 }), fc.boolean(), (json, canonical) => {
        const candidate = canonical ? canonicalJson(JSON.parse(json)) : json
        if (isCanonicalValue(candidate)) expect(candidate).toBe(canonicalJson(JSON.parse(candidate)))
      }),
      { numRuns: 1000 },
    )
    for (const not of [
      '',
      '{',
      '[1,]',
      '{"a":1,}',
      '{"b":1,"a":1}',
      '1 ',
      '-1',
      '01',
      '1.0',
      'nul',
      '"\\u0061"',
      '"\t"',
      '"\ud800"',
    ]) {
      expect(isCanonicalValue(not), not).toBe(false)
    }
    for (const plain of ['{}', '[]', '0', 'null', '{"a":[1,true,false,"é"],"b":{}}'])
      expect(isCanonicalValue(plain)).toBe(true)
  })
})

describe('lines of bytes', () => {
  it('are the same however the bytes are cut, broken UTF-8 and all', async () => {
    const piece = fc.oneof(
      fc.constantFrom('\n', '\n\n', 'a', 'é', '\ufeff', '\u{1f600}').map((part) => Buffer.from(part)),
      fc.uint8Array({ maxLength: 4 }),
    )
    await fc.assert(
      fc.asyncProperty(
        fc.array(piece, { maxLength: 30 }),
        fc.array(fc.nat(60), { maxLength: 6 }),
        async (pieces, cuts) => {
          const bytes = Buffer.concat(pieces)
          const edges = [0, ...cuts.filter((cut) => cut < bytes.length).sort((a, b) => a - b), bytes.length]
          const cut = edges.slice(1).map((end, index) => bytes.subarray(edges[index], end))
          const expected: string[] = []
          for (const line of splitAtLf(bytes)) expected.push(decodeStrictly(line))
          if (expected.at(-1) === '') expected.pop()
          const found: string[] = []
          for await (const line of exportLines(cut)) found.push(line)
          expect(found).toEqual(expected)
        },
      ),
    )
  })

  it('come in batches, and reading ends within a line that is too long to be one', async () => {
    const batches: string[][] = []
    const endless = Array.from({ length: 10 }, () => Buffer.alloc(LINE_MAX, 0x61))
    for await (const batch of exportLineBatches([Buffer.from('a\nb\nc'), ...endless, Buffer.from('\nz')]))
      batches.push(batch)
    expect(batches[0]).toEqual(['a', 'b'])
    expect(batches.length).toBe(2)
    expect(batches[1]![0]!.length).toBeLessThan(5 * LINE_MAX)
  })
})

function splitAtLf(bytes: Buffer): Buffer[] {
  const lines: Buffer[] = []
  let from = 0
  for (let at = bytes.indexOf(10); at >= 0; at = bytes.indexOf(10, from)) {
    lines.push(bytes.subarray(from, at))
    from = at + 1
  }
  return [...lines, bytes.subarray(from)]
}

/** As a reader of one line would: Buffer's lenient decoder shows a broken byte as U+FFFD, and one more marks the line. */
function decodeStrictly(line: Buffer): string {
  const lenient = line.toString('utf8')
  return Buffer.from(lenient).equals(line) ? lenient : `${lenient}\ufffd`
}
