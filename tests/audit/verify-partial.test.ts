import { describe, expect, it } from 'vitest'
import { type AuditEntry, EMPTY_HEAD } from '../../src/audit/chain.js'
import { exportEnd } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { chainOf, endOf, faultOf, HEAD, rehash, textOf, whole } from './export-samples.js'

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
