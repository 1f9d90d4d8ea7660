import { describe, expect, it } from 'vitest'
import { type AuditEntry, GENESIS_PREV, sealEntry } from '../../src/audit/chain.js'
import { LINE_MAX } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { chainOf, endOf, faultOf, HEAD, rehash, tampered, textOf, whole } from './export-samples.js'

describe('an untouched export', () => {
  it('of any length is intact', async () => {
    for (const length of [0, 1, 2, 3, 20]) {
      const entries = chainOf(length)
      const last = entries.at(-1) ?? { seq: 0, hash: GENESIS_PREV }
      expect(await verifyExport(whole(entries))).toEqual({
        ok: true,
        complete: true,
        entries: length,
        lastSeq: last.seq,
        lastHash: last.hash,
        fault: null,
      })
    }
  })

  it('stays intact with labels erased, with white space inside lines, and with an empty text behind the last LF', async () => {
    const entries = chainOf(5)
    const lines = tampered(
      entries.map((entry) => ({ ...entry, labels: null })),
      entries,
    )
    expect(await verifyExport([...lines.map((line) => line.replace('{', '{ \t')), ''])).toMatchObject({ ok: true })
  })

  it('needs no hash of the head line in the end line', async () => {
    const entries = chainOf(2)
    const { headHash: _left, ...end } = endOf(entries)
    expect(await verifyExport(textOf(HEAD, ...entries, end))).toMatchObject({ ok: true })
  })
})

describe('a fault is named by its kind and place (entry k stands on line k + 1)', () => {
  const TRUE = chainOf(8)
  const without = (...seqs: number[]) => TRUE.filter(({ seq }) => !seqs.includes(seq))
  const withNew = (entry: object, line: number) => [...TRUE.slice(0, line - 2), entry, ...TRUE.slice(line - 2)]
  const instead = (entry: AuditEntry) => TRUE.map((old) => (old.seq === entry.seq ? entry : old))
  const at = (seq: number) => TRUE[seq - 1]!
  const forged = (prev: AuditEntry) => sealEntry(prev, { ...prev, action: 'forged' }, null)

  const faults: [string, object[], object][] = [
    ['a changed member', instead({ ...at(4), action: 'x' }), { seq: 4, line: 5, kind: 'changed' }],
    ['a changed number', TRUE.with(3, { ...at(4), seq: 44 }), { seq: 4, line: 5, kind: 'changed' }],
    ['a changed first entry', instead({ ...at(1), action: 'x' }), { seq: 1, line: 2, kind: 'changed' }],
    ['a changed last entry', instead({ ...at(8), action: 'x' }), { seq: 8, line: 9, kind: 'changed' }],
    [
      'a changed entry with its own hash renewed',
      instead(rehash({ ...at(4), action: 'x' })),
      { seq: 4, line: 5, kind: 'changed' },
    ],
    ['the first one so', instead(rehash({ ...at(1), action: 'x' })), { seq: 1, line: 2, kind: 'changed' }],
    ['the last one so', instead(rehash({ ...at(8), action: 'x' })), { seq: 8, line: 9, kind: 'changed' }],
    [
      'a changed link with the hash renewed',
      instead(rehash({ ...at(4), prev: GENESIS_PREV })),
      { seq: 4, line: 5, kind: 'changed' },
    ],
    [
      'a changed first link with the hash renewed',
      instead(rehash({ ...at(1), prev: at(2).hash })),
      { seq: 1, line: 2, kind: 'changed' },
    ],
    [
      'a changed number with the hash renewed',
      TRUE.with(3, rehash({ ...at(4), seq: 6 })),
      { seq: 4, line: 5, kind: 'changed' },
    ],
    [
      'changed labels',
      instead({ ...at(4), labels: { salt: 'aa', phone: '+441632960962' } }),
      { seq: 4, line: 5, kind: 'changed' },
    ],
    [
      'labels that nothing vouches for',
      instead({ ...at(5), labels: { salt: 'aa' } }),
      { seq: 5, line: 6, kind: 'changed' },
    ],
    ['one taken out', without(4), { seq: 4, line: 5, kind: 'missing' }],
    ['the first taken out', without(1), { seq: 1, line: 2, kind: 'missing' }],
    ['the last but one taken out', without(7), { seq: 7, line: 8, kind: 'missing' }],
    ['several taken out', without(3, 4, 5), { seq: 3, line: 4, kind: 'missing' }],
    ['two taken out in two places', without(3, 6), { seq: 3, line: 4, kind: 'missing' }],
    ['the last taken out', without(8), { seq: 8, line: 9, kind: 'cut' }],
    ['all taken out', [], { seq: 1, line: 2, kind: 'cut' }],
    ['one twice in a row', withNew(at(4), 6), { seq: 4, line: 6, kind: 'inserted' }],
    ['an early one again later', withNew(at(2), 8), { seq: 2, line: 8, kind: 'inserted' }],
    ['a late one earlier too', withNew(at(7), 4), { seq: 7, line: 4, kind: 'inserted' }],
    ['the last one twice', withNew(at(8), 10), { seq: 8, line: 10, kind: 'inserted' }],
    [
      'a block twice',
      [...TRUE.slice(0, 5), ...TRUE.slice(2, 5), ...TRUE.slice(5)],
      { seq: 3, line: 7, kind: 'inserted' },
    ],
    ['a forged one that follows on', withNew(forged(at(4)), 6), { seq: 5, line: 6, kind: 'inserted' }],
    ['a forged one at the very end', withNew(forged(at(8)), 10), { seq: 9, line: 10, kind: 'inserted' }],
    [
      'a forged one with a number far off',
      withNew(rehash({ ...forged(at(4)), seq: 99 }), 6),
      { seq: 99, line: 6, kind: 'inserted' },
    ],
    [
      'a forged one with a hash that is wrong',
      withNew({ ...forged(at(4)), hash: at(1).hash }, 6),
      { seq: 5, line: 6, kind: 'inserted' },
    ],
    [
      'two neighbours exchanged',
      [...TRUE.slice(0, 3), at(5), at(4), ...TRUE.slice(5)],
      { seq: 5, line: 5, kind: 'reordered' },
    ],
    ['the first two exchanged', [at(2), at(1), ...TRUE.slice(2)], { seq: 2, line: 2, kind: 'reordered' }],
    ['the last two exchanged', [...TRUE.slice(0, 6), at(8), at(7)], { seq: 8, line: 8, kind: 'reordered' }],
    ['two far ones exchanged', TRUE.with(1, at(6)).with(5, at(2)), { seq: 6, line: 3, kind: 'reordered' }],
    ['one moved up', [...TRUE.slice(0, 2), at(7), ...without(7).slice(2)], { seq: 7, line: 4, kind: 'reordered' }],
    ['one moved down', [...without(2).slice(0, 5), at(2), ...TRUE.slice(6)], { seq: 3, line: 3, kind: 'reordered' }],
    ['one moved to the end', [...without(2), at(2)], { seq: 3, line: 3, kind: 'reordered' }],
    ['all the other way round', TRUE.toReversed(), { seq: 8, line: 2, kind: 'reordered' }],
  ]
  it.each(faults)('%s', async (_name, entries, expected) => {
    expect(await faultOf(tampered(entries, TRUE))).toEqual(expected)
  })

  const lines = whole(TRUE)
  const end = endOf(TRUE)
  const withEnd = (change: object) => [...lines.slice(0, -1), JSON.stringify({ ...end, ...change })]
  const shapes: [string, string[], object][] = [
    ['nothing at all', [], { seq: null, line: 1, kind: 'cut' }],
    ['no end line', lines.slice(0, -1), { seq: 9, line: 10, kind: 'cut' }],
    ['cut in the middle', lines.slice(0, 4), { seq: 4, line: 5, kind: 'cut' }],
    ['cut within a line', [...lines.slice(0, 4), lines[4]!.slice(0, 70)], { seq: 4, line: 6, kind: 'cut' }],
    [
      'an end line that tells of more',
      withEnd({ entries: 9, lastSeq: 9, lastHash: 'f'.repeat(64) }),
      { seq: 9, line: 10, kind: 'cut' },
    ],
    ['an end line that tells of fewer', withEnd({ entries: 7, lastSeq: 7 }), { seq: 8, line: 9, kind: 'inserted' }],
    ['an end line that contradicts itself', withEnd({ entries: 7 }), { seq: null, line: 10, kind: 'changed' }],
    ['another last hash', withEnd({ lastHash: 'f'.repeat(64) }), { seq: 8, line: 9, kind: 'changed' }],
    ['a line behind the end', [...lines, lines[3]!], { seq: null, line: 11, kind: 'inserted' }],
    [
      'the end line one line early',
      [...lines.slice(0, 8), lines[9]!, lines[8]!],
      { seq: 8, line: 10, kind: 'reordered' },
    ],
    ['no head line', lines.slice(1), { seq: null, line: 1, kind: 'missing' }],
    [
      'the head line one line late',
      [lines[1]!, lines[0]!, ...lines.slice(2)],
      { seq: null, line: 1, kind: 'reordered' },
    ],
    ['a second head line', [lines[0]!, ...lines], { seq: null, line: 2, kind: 'inserted' }],
    [
      'a head line with another server',
      textOf({ ...HEAD, server: 'x' }, ...TRUE, end),
      { seq: null, line: 1, kind: 'changed' },
    ],
    [
      'a format that we do not know',
      textOf({ ...HEAD, format: 'firmhand-audit/2' }, ...TRUE, end),
      { seq: null, line: 1, kind: 'unreadable' },
    ],
    ['no JSON', lines.with(4, 'hello {}'), { seq: 4, line: 5, kind: 'unreadable' }],
    [
      'a line that breaks off with others behind it',
      lines.with(4, lines[4]!.slice(0, 70)),
      { seq: 4, line: 5, kind: 'unreadable' },
    ],
    ['an empty line', lines.toSpliced(4, 0, ''), { seq: 4, line: 5, kind: 'unreadable' }],
    ['another kind of line', lines.toSpliced(4, 0, '{"type":"note"}'), { seq: 4, line: 5, kind: 'unreadable' }],
    [
      'one name twice',
      lines.with(4, lines[4]!.replace('"seq"', '"action":"x","seq"')),
      { seq: 4, line: 5, kind: 'unreadable' },
    ],
    [
      'one name twice, once escaped, within',
      lines.with(4, lines[4]!.replace('"n":', '"\\u006e":1,"n":')),
      { seq: 4, line: 5, kind: 'unreadable' },
    ],
    [
      'half a surrogate pair',
      lines.with(4, lines[4]!.replace('"n":', '"m":"\\ud83d","n":')),
      { seq: 4, line: 5, kind: 'unreadable' },
    ],
    [
      'a number beyond a double',
      lines.with(4, lines[4]!.replace('"n":', '"m":1e999,"n":')),
      { seq: 4, line: 5, kind: 'unreadable' },
    ],
    [
      'a line without end',
      lines.with(4, `${' '.repeat(LINE_MAX)}${lines[4]!}`),
      { seq: 4, line: 5, kind: 'unreadable' },
    ],
    [
      'a missing entry before an unreadable line',
      lines.toSpliced(3, 1).with(4, '{}'),
      { seq: 3, line: 4, kind: 'missing' },
    ],
  ]
  it.each(shapes)('%s', async (_name, text, expected) => {
    expect(await faultOf(text)).toEqual(expected)
  })

  it('but colons and quotes inside of values are no second name', async () => {
    expect(await verifyExport(whole(chainOf(3, 'a":1,"a":{:\\\\": ')))).toMatchObject({ ok: true })
  })
})
