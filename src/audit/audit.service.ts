import type { Work } from '../db/db.js'
import type { Actor } from './actor.js'
import { appendAudit, readHead } from './audit.store.js'
import type { ChainHead } from './chain.js'

export interface AuditService {
  /** Logs that somebody takes a copy, and returns the head that the copy reaches: its own entry is the last one. */
  noteExport(
    work: Work,
    actor: Actor,
    detail: { format: string; filter: Record<string, string> | null },
  ): Promise<ChainHead>
}

export const auditService: AuditService = {
  noteExport: async (work, actor, detail) => {
    await appendAudit(work, actor, [{ action: 'audit.exported', detail }])
    return readHead(work.db)
  },
}
