import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { type AuditEntry, EMPTY_HEAD, entryHash, GENESIS_PREV, sealEntry } from '../../src/audit/chain.js'
import { exportEnd, exportHead, exportLines, LINE_MAX } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'

const ACTIONS = ['task.issued', 'task.moved', 'checkin.accepted']
const HEAD = exportHead({ server: 'server 1', exportedAt: '2025-03-01T09:00:00.000Z', filter: null, complete: true })

function chainOf(length: number, salt = ''): AuditEntry[] {
  const entries: AuditEntry[] = []
  for (let i = 0; i < length; i += 1) {
    const body = {
      at: new Date(1_740_000_000_000 + i * 1000).toISOString(),
      actor: { id: `key_${i % 2}`, role: 'operator', via: 'api' as const },
      action: ACTIONS[i % 3]!,
      unit: 'unit_1',
      task: null,
      package: null,
      fromVersion: null,
      toVersion: null,
      sha256: null,
      detail: { n: i, note: `ü "${salt}"` },
    }
    entries.push(
      sealEntry(entries.at(-1) ?? EMPTY_HEAD, body, i % 3 === 0 ? { salt: 'aa', phone: '+441632960961' } : null),
    )
  }
  return entries
}
const endOf = (entries: AuditEntry[], head = HEAD) => exportEnd(head, entries.length, entries.at(-1) ?? EMPTY_HEAD)
const textOf = (...parts: object[]): string[] => parts.map((part) => JSON.stringify(part))
const whole = (entries: AuditEntry[]): string[] => textOf(HEAD, ...entries, endOf(entries))
/** The entries as they stand, with the end line of the true chain. */
const tampered = (entries: object[], truth: AuditEntry[]): string[] => textOf(HEAD, ...entries, endOf(truth))
/** Its own hash made to fit again, as a forger would. */
const rehash = (entry: object): AuditEntry => ({ ...entry, hash: entryHash({ ...entry }) }) as AuditEntry
const faultOf = async (lines: string[]) => (await verifyExport(lines)).fault

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

describe('a head that was kept elsewhere', () => {
  const entries = chainOf(6)
  const head = ({ seq, hash }: AuditEntry) => ({ seq, hash })

  it('is found in the export it is of, and in every longer one', async () => {
    for (const entry of entries) expect(await verifyExport(whole(entries), head(entry))).toMatchObject({ ok: true })
    expect(await verifyExport(whole(entries), EMPTY_HEAD)).toMatchObject({ ok: true })
  })
  it('shows a full rewrite as changed', async () => {
    const { ok, fault } = await verifyExport(whole(chainOf(8, 'rewritten')), head(entries[3]!))
    expect({ ok, fault }).toEqual({ ok: false, fault: { seq: 4, line: 5, kind: 'changed' } })
    expect((await verifyExport(whole(entries), { seq: 0, hash: 'f'.repeat(64) })).ok).toBe(false)
  })
  it('shows a tail that was cut and closed again as cut', async () => {
    const shorter = entries.slice(0, 4)
    expect(await verifyExport(whole(shorter))).toMatchObject({ ok: true })
    const { ok, fault } = await verifyExport(whole(shorter), head(entries[5]!))
    expect({ ok, fault }).toEqual({ ok: false, fault: { seq: 6, line: 6, kind: 'cut' } })
  })
  it('must stand in a filtered export too', async () => {
    const filtered = { ...HEAD, filter: { unit: 'unit_1' }, complete: false }
    const some = [entries[1]!, entries[4]!]
    const lines = textOf(filtered, ...some, endOf(some, filtered))
    expect(await verifyExport(lines, head(entries[4]!))).toMatchObject({ ok: true })
    expect((await verifyExport(lines, head(entries[3]!))).fault).toMatchObject({ seq: 4, kind: 'missing' })
    expect((await verifyExport(lines, head(entries[5]!))).fault).toMatchObject({ seq: 6, kind: 'cut' })
  })
})

describe('a filtered export', () => {
  const all = chainOf(9)
  const filtered = { ...HEAD, filter: { unit: 'unit_1' }, complete: false }
  const some = [2, 3, 6, 8].map((seq) => all[seq - 1]!)
  const linesOf = (entries: object[], end: object = endOf(some, filtered)) => textOf(filtered, ...entries, end)

  it('is intact with gaps, but completeness is not shown', async () => {
    expect(await verifyExport(linesOf(some))).toMatchObject({ ok: true, complete: false, entries: 4, lastSeq: 8 })
    const none = exportEnd(filtered, 0, EMPTY_HEAD)
    expect(await verifyExport(textOf(filtered, none))).toMatchObject({ ok: true, complete: false, entries: 0 })
  })

  const faults: [string, object[], object][] = [
    ['a changed member', some.with(2, { ...some[2]!, action: 'x' }), { seq: 6, line: 4, kind: 'changed' }],
    [
      'a neighbour with its own hash renewed',
      some.with(0, rehash({ ...some[0]!, action: 'x' })),
      { seq: 2, line: 2, kind: 'changed' },
    ],
    ['one taken out', some.toSpliced(2, 1), { seq: null, line: 5, kind: 'missing' }],
    ['the last taken out', some.slice(0, 3), { seq: null, line: 5, kind: 'cut' }],
    ['two exchanged', [some[0]!, some[2]!, some[1]!, some[3]!], { seq: 3, line: 4, kind: 'reordered' }],
    ['one twice in a row', [some[0]!, ...some], { seq: 2, line: 3, kind: 'inserted' }],
    ['one added', [...some.slice(0, 3), all[6]!, some[3]!], { seq: null, line: 7, kind: 'inserted' }],
  ]
  it.each(faults)('%s', async (_name, entries, expected) => {
    expect(await faultOf(linesOf(entries))).toEqual(expected)
  })
})

describe('any chain', () => {
  const lengths = fc.integer({ min: 2, max: 12 })
  const place = fc.nat()

  it('with one mutation is named by its kind', async () => {
    const cases = fc.record({ length: lengths, from: place, to: place, kind: fc.nat(7) })
    await fc.assert(
      fc.asyncProperty(cases, async ({ length, from, to, kind }) => {
        const truth = chainOf(length)
        const i = from % length
        const one = truth[i]!
        const rest = truth.toSpliced(i, 1)
        const other = to % length
        const forged = sealEntry(one, { ...one, action: 'forged' }, null)
        const [entries, expected] = (
          [
            [truth.with(i, { ...one, action: 'x' }), 'changed'],
            [truth.with(i, rehash({ ...one, action: 'x' })), 'changed'],
            [rest, i === length - 1 ? 'cut' : 'missing'],
            [truth.toSpliced(to % (length + 1), 0, one), 'inserted'],
            [truth.toSpliced(i + 1, 0, forged), 'inserted'],
            [rest.toSpliced(other, 0, one), i === other ? null : 'reordered'],
            [truth.with(i, truth[other]!).with(other, one), i === other ? null : 'reordered'],
            [truth.slice(0, i), 'cut'],
          ] as const
        )[kind]!
        expect((await faultOf(tampered([...entries], truth)))?.kind ?? null).toBe(expected)
      }),
      { numRuns: 600 },
    )
  })

  it('with any lines taken out, doubled or moved is never called intact', async () => {
    await fc.assert(
      fc.asyncProperty(
        lengths,
        fc.array(fc.tuple(place, place, place), { minLength: 1, maxLength: 4 }),
        async (length, edits) => {
          const lines = whole(chainOf(length))
          let edited = lines
          for (const [kind, from, to] of edits) {
            const i = from % edited.length
            const line = edited[i]!
            if (kind % 3 > 0) edited = edited.toSpliced(i, 1)
            if (kind % 3 < 2) edited = edited.toSpliced(to % (edited.length + 1), 0, line)
            if (edited.length === 0) break
          }
          const { ok } = await verifyExport(edited)
          expect(ok).toBe(edited.join('\n') === lines.join('\n'))
        },
      ),
      { numRuns: 400 },
    )
  })
})

describe('every byte of a small export', () => {
  const entries = chainOf(2)
  const bytes = Buffer.from(`${whole(entries).join('\n')}\n`)
  const original = bytes.toString().split('\n')

  /** White space and escapes may change as long as no value does: that is what the hashes are over. */
  function sameValues(changed: Buffer): boolean {
    try {
      const lines = new TextDecoder('utf-8', { fatal: true }).decode(changed).split('\n')
      const values = (texts: string[]) => texts.filter((text) => text.trim() !== '').map((text) => JSON.parse(text))
      expect(values(lines)).toEqual(values(original))
      return true
    } catch {
      return false
    }
  }

  it('cannot be changed unnoticed, whichever bit', async () => {
    const missed: string[] = []
    for (let at = 0; at < bytes.length; at += 1) {
      for (const flip of [1, 2, 4, 8, 16, 32, 64, 128, 7]) {
        const changed = Buffer.from(bytes)
        changed[at]! ^= flip
        if ((await verifyExport(exportLines([changed]))).ok && !sameValues(changed)) missed.push(`byte ${at} ^ ${flip}`)
      }
    }
    expect(missed).toEqual([])
  })

  it('cannot be taken out or cut off from unnoticed', async () => {
    const missed: string[] = []
    for (let at = 0; at < bytes.length; at += 1) {
      const without = Buffer.concat([bytes.subarray(0, at), bytes.subarray(at + 1)])
      if ((await verifyExport(exportLines([without]))).ok && !sameValues(without)) missed.push(`without byte ${at}`)
      const cut = bytes.subarray(0, at)
      const { ok } = await verifyExport(exportLines([cut]))
      if (ok && at !== bytes.length - 1) missed.push(`cut at byte ${at}`) // The last byte is the LF.
    }
    expect(missed).toEqual([])
  })
})

describe('lines out of bytes', () => {
  const collect = async (chunks: Uint8Array[]) => {
    const lines: string[] = []
    for await (const line of exportLines(chunks)) lines.push(line)
    return lines
  }

  it('are the same however the bytes are cut', async () => {
    const text = 'ä€😀\n\nb\r\nlast without LF'
    for (let size = 1; size < 12; size += 1) {
      const bytes = Buffer.from(text)
      const chunks: Buffer[] = []
      for (let from = 0; from < bytes.length; from += size) chunks.push(bytes.subarray(from, from + size))
      expect(await collect(chunks)).toEqual(text.split('\n'))
    }
    expect(await collect([])).toEqual([])
  })
  it('that are no UTF-8 are no JSON either', async () => {
    const [line] = await collect([Buffer.from([0x22, 0xff, 0x22])])
    expect(() => JSON.parse(line!)).toThrow(SyntaxError)
  })
  it('without end stop the reading', async () => {
    let chunks = 0
    const endless = (function* () {
      for (;;) {
        chunks += 1
        yield Buffer.alloc(64 * 1024, 0x20)
      }
    })()
    const { fault } = await verifyExport(exportLines(endless))
    expect(fault).toMatchObject({ line: 1, kind: 'unreadable' })
    expect(chunks).toBeLessThan(60)
  })
})
