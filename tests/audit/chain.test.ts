import { createHash } from 'node:crypto'
import { describe, expect, it } from 'vitest'
import { type AuditBody, EMPTY_HEAD, entryHash, GENESIS_PREV, sealEntry } from '../../src/audit/chain.js'

const BODY: AuditBody = {
  at: '2025-03-01T08:00:00.000Z',
  actor: { id: 'key_1', role: 'operator', via: 'api' },
  action: 'task.issued',
  unit: 'unit_1',
  task: 'task_1',
  package: 'pkg_1',
  fromVersion: '1.0.0',
  toVersion: '1.1.0',
  sha256: null,
  detail: { method: 'air' },
}
const sha256 = (text: string): string => createHash('sha256').update(text).digest('hex')

describe('sealing an entry', () => {
  it('hashes the RFC 8785 text of everything but hash and labels, written out here by hand', () => {
    const labels = { salt: '00ff', actorName: 'first integrator', imei: '490154203237518' }
    const entry = sealEntry(EMPTY_HEAD, BODY, labels)
    const labelsHash = sha256('{"actorName":"first integrator","imei":"490154203237518","salt":"00ff"}')
    expect(entry.labelsHash).toBe(labelsHash)
    expect(entry.hash).toBe(
      sha256(
        '{"action":"task.issued","actor":{"id":"key_1","role":"operator","via":"api"},"at":"2025-03-01T08:00:00.000Z",' +
          `"detail":{"method":"air"},"fromVersion":"1.0.0","labelsHash":"${labelsHash}","package":"pkg_1",` +
          `"prev":"${GENESIS_PREV}","seq":1,"sha256":null,"task":"task_1","toVersion":"1.1.0","type":"entry","unit":"unit_1"}`,
      ),
    )
  })

  it('begins at 1 behind 64 zeros and links each entry to the one before', () => {
    const first = sealEntry(EMPTY_HEAD, BODY, null)
    const second = sealEntry(first, BODY, null)
    expect(first).toMatchObject({ seq: 1, prev: '0'.repeat(64), labels: null, labelsHash: null })
    expect(second).toMatchObject({ seq: 2, prev: first.hash })
    expect(second.hash).not.toBe(first.hash)
  })

  it('gives the same hash with labels erased, and another with other labels', () => {
    const entry = sealEntry(EMPTY_HEAD, BODY, { salt: '00ff', actorName: 'a' })
    expect(entryHash({ ...entry, labels: null })).toBe(entry.hash)
    expect(sealEntry(EMPTY_HEAD, BODY, { salt: '00fe', actorName: 'a' }).hash).not.toBe(entry.hash)
  })

  it('keeps nothing of a body that is not named, and refuses what JSON cannot hold', () => {
    expect(sealEntry(EMPTY_HEAD, { ...BODY, secret: 'x' } as AuditBody, null)).not.toHaveProperty('secret')
    expect(() => sealEntry(EMPTY_HEAD, { ...BODY, detail: { a: Number.NaN } }, null)).toThrow(TypeError)
    expect(() => sealEntry(EMPTY_HEAD, { ...BODY, toVersion: '\ud83d' }, null)).toThrow(TypeError)
  })

  it('hashes members that it does not know', () => {
    const entry = sealEntry(EMPTY_HEAD, BODY, null)
    expect(entryHash({ ...entry, extra: 1 })).not.toBe(entry.hash)
  })
})
