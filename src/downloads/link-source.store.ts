// Finds a link for the byte server, in one look, anew for every request: what was revoked a moment ago is seen at once.
import type { Clock } from '../clock.js'
import type { Db } from '../db/db.js'
import { findHold } from '../hold/hold.store.js'
import type { Profile } from '../models/profile.js'
import type { LinkEnd, LinkSource, LinkTarget } from './delivery.js'
import { emptyLedger, findLedgers } from './ledger.store.js'

/** @param hashToken how tokens are stored: the database holds no token. */
export function linkSource(deps: { read: Db; clock: Clock; hashToken: (token: string) => string }): LinkSource {
  return {
    find: async (token): Promise<LinkTarget | null> => {
      const row = await deps.read
        .selectFrom('link')
        .innerJoin('package', 'package.id', 'link.package_id')
        .innerJoin('blob', 'blob.sha256', 'package.sha256')
        .innerJoin('model', 'model.id', 'package.model_id')
        .leftJoin('blob_check', 'blob_check.sha256', 'package.sha256')
        .select([
          'link.id',
          'link.kind',
          'link.file_name',
          'link.byte_budget_bytes',
          'link.expires_at_ms',
          'link.end_reason',
          'package.state',
          'package.sha256',
          'blob.size_bytes',
          'blob.stored_at_ms',
          'model.profile',
          'blob_check.damaged_at_ms',
        ])
        .where('link.token_hash', '=', deps.hashToken(token))
        .executeTakeFirst()
      if (!row) return null
      const ledger = (await findLedgers(deps.read, [row.id])).get(row.id) ?? emptyLedger(row.id)
      const profile = JSON.parse(row.profile) as Partial<Profile>
      return {
        linkId: row.id,
        kind: row.kind === 'copy' ? 'copy' : 'unit',
        sha256: row.sha256,
        sizeBytes: Number(row.size_bytes),
        fileName: row.file_name,
        storedAtMs: Number(row.stored_at_ms),
        // People's programs save a copy link under the name to the letter, however its address was typed.
        contentDisposition: row.kind === 'copy' || profile.contentDisposition === true,
        clientLooksLikeBrowser: profile.clientLooksLikeBrowser === true,
        byteBudgetBytes: Number(row.byte_budget_bytes),
        end: endOf(row, deps.clock()) ?? (await passingEnd(deps.read, row.damaged_at_ms !== null)),
        ledger: {
          sentBytes: ledger.sentBytes,
          sent: ledger.sent,
          acknowledged: ledger.acknowledged,
          inferred: ledger.inferred,
        },
      }
    },
  }
}

function endOf(
  row: { end_reason: string | null; state: string; expires_at_ms: number | string | null },
  nowMs: number,
): LinkEnd | null {
  if (row.end_reason !== null) return row.end_reason as LinkEnd
  if (row.state !== 'released') return 'withdrawn'
  return row.expires_at_ms !== null && Number(row.expires_at_ms) <= nowMs ? 'expired' : null
}

/** What ends by itself or by people: the link is to work again. */
async function passingEnd(read: Db, damaged: boolean): Promise<LinkEnd | null> {
  if ((await findHold(read)) !== null) return 'on-hold'
  return damaged ? 'damaged' : null
}
