// Chains and exports for the tests of the verifier, sealed by the code that the server uses.
import { type AuditEntry, EMPTY_HEAD, entryHash, sealEntry } from '../../src/audit/chain.js'
import { exportEnd, exportHead } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'

const ACTIONS = ['task.issued', 'task.moved', 'checkin.accepted']
export const HEAD = exportHead({
  server: 'server 1',
  exportedAt: '2025-03-01T09:00:00.000Z',
  filter: null,
  complete: true,
})

export function chainOf(length: number, salt = ''): AuditEntry[] {
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
export const endOf = (entries: AuditEntry[], head = HEAD) =>
  exportEnd(head, entries.length, entries.at(-1) ?? EMPTY_HEAD)
export const textOf = (...parts: object[]): string[] => parts.map((part) => JSON.stringify(part))
export const whole = (entries: AuditEntry[]): string[] => textOf(HEAD, ...entries, endOf(entries))
/** The entries as they stand, with the end line of the true chain. */
export const tampered = (entries: object[], truth: AuditEntry[]): string[] => textOf(HEAD, ...entries, endOf(truth))
/** Its own hash made to fit again, as a forger would. */
export const rehash = (entry: object): AuditEntry => ({ ...entry, hash: entryHash({ ...entry }) }) as AuditEntry
export const faultOf = async (lines: string[]) => (await verifyExport(lines)).fault
