import type { Actor } from '../audit/actor.js'
import { appendAudit } from '../audit/audit.store.js'
import { toRfc3339 } from '../clock.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import {
  deleteSession,
  deleteSessionsBefore,
  findKey,
  insertKey,
  insertSession,
  type Key,
  markRevoked,
} from './key.store.js'
import type { Role } from './roles.js'
import { hashSecret, keySecret, sessionSecrets } from './secret.js'

export const SESSION_MS = 12 * 60 * 60 * 1000

export interface AccessService {
  createKey(work: Work, actor: Actor, input: { name: string; role: Role; expiresAtMs: number | null }): Promise<Key>
  revokeKey(work: Work, actor: Actor, id: string): Promise<void>
  /** The session's id; cookie and CSRF token follow from it, see secret.ts. */
  openSession(work: Work, actor: Actor, keyId: string): Promise<{ sessionId: string; expiresAtMs: number }>
  closeSession(work: Work, actor: Actor, cookieHash: string): Promise<void>
}

const timeOrNull = (ms: number | null): string | null => (ms === null ? null : toRfc3339(ms))

export function accessService(deps: { serverSecret: string }): AccessService {
  return {
    createKey: async (work, actor, input) => {
      const key: Key = { id: newId('k', work.nowMs), createdAtMs: work.nowMs, revokedAtMs: null, ...input }
      await insertKey(work.db, key, hashSecret(keySecret(deps.serverSecret, key.id)))
      await appendAudit(work, actor, [
        {
          action: 'key.created',
          detail: { key: key.id, role: key.role, expiresAt: timeOrNull(key.expiresAtMs) },
          labels: { keyName: key.name },
        },
      ])
      return key
    },
    revokeKey: async (work, actor, id) => {
      const key = await findKey(work.db, id)
      if (!key) throw new AppError('key-not-found', `There is no key ${id}: list the keys; the id is not the secret.`)
      if (key.revokedAtMs !== null) return
      await markRevoked(work.db, id, work.nowMs)
      await appendAudit(work, actor, [
        { action: 'key.revoked', detail: { key: id, role: key.role }, labels: { keyName: key.name } },
      ])
    },
    openSession: async (work, _actor, keyId) => {
      const sessionId = newId('s', work.nowMs)
      const secrets = sessionSecrets(deps.serverSecret, sessionId)
      const expiresAtMs = work.nowMs + SESSION_MS
      await deleteSessionsBefore(work.db, work.nowMs)
      await insertSession(work.db, {
        cookieHash: hashSecret(secrets.cookie),
        keyId,
        csrfHash: hashSecret(secrets.csrf),
        expiresAtMs,
      })
      return { sessionId, expiresAtMs }
    },
    closeSession: (work, _actor, cookieHash) => deleteSession(work.db, cookieHash),
  }
}
