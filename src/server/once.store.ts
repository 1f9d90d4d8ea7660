// Idempotency-Key: a repeat of the same request within 24 h gets the first answer, from the transaction that made it.
import type { Actor } from '../audit/actor.js'
import type { Work } from '../db/db.js'
import { AppError } from '../errors.js'

const KEPT_MS = 24 * 60 * 60 * 1000

/** Runs `change` unless the actor's request was answered before; then gives that answer. */
export async function once(work: Work, actor: Actor, change: () => Promise<unknown>): Promise<unknown> {
  if (!actor.once) return change()
  const { name, requestHash } = actor.once
  const known = await work.db
    .selectFrom('idempotency')
    .select(['request_hash', 'response'])
    .where('key_id', '=', actor.id)
    .where('name', '=', name)
    .where('at_ms', '>', work.nowMs - KEPT_MS)
    .executeTakeFirst()
  if (known) {
    if (known.request_hash === requestHash) return JSON.parse(known.response)
    throw new AppError(
      'idempotency-mismatch',
      'This Idempotency-Key was used for another request: take a new one for each request.',
    )
  }
  const value = await change()
  const row = { request_hash: requestHash, response: JSON.stringify(value ?? null), at_ms: work.nowMs }
  await work.db
    .insertInto('idempotency')
    .values({ key_id: actor.id, name, ...row })
    .onConflict((conflict) => conflict.columns(['key_id', 'name']).doUpdateSet(row))
    .execute()
  return value
}

export async function forgetOld(work: Work): Promise<void> {
  await work.db
    .deleteFrom('idempotency')
    .where('at_ms', '<=', work.nowMs - KEPT_MS)
    .execute()
}
