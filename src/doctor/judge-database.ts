// The database: facts in, findings out. Pure.
import { caution, type Finding, fault, ok, unknown } from './finding.js'

export interface DatabaseFacts {
  /** null = there is none yet; a text = it cannot be opened or read, and why. */
  state: 'open' | { failed: string } | null
  /** What `PRAGMA quick_check` says; one "ok" where all is well (sqlite.org/pragma.html). */
  quickCheck: string[]
  applied: string[]
  known: string[]
  audit: { seq: number; atMs: number } | null
}

export function judgeDatabase({ state, quickCheck, applied, known, audit }: DatabaseFacts): Finding[] {
  if (state === null) return [unknown('database', 'There is no database yet: the first start makes it.')]
  if (state !== 'open') {
    const remedy = 'Stop the server, keep a copy of the folder, and restore the newest backup.'
    return [fault('database', `The database cannot be read: ${state.failed}.`, remedy)]
  }
  return [judgeIntegrity(quickCheck), judgeSchema(applied, known), judgeAudit(audit)]
}

function judgeIntegrity(said: string[]): Finding {
  if (said.length === 1 && said[0] === 'ok') return ok('database', 'The database is sound (quick_check).')
  const remedy = 'Stop the server, keep a copy of the folder, and restore the newest backup; check the disk.'
  return fault('database', `The database is damaged: ${said.slice(0, 3).join('; ')}.`, remedy)
}

function judgeSchema(applied: string[], known: string[]): Finding {
  const check = 'schema'
  const strange = applied.filter((name) => !known.includes(name))
  if (strange.length > 0) {
    const remedy = 'Start the newer program again, or restore a backup that this one made.'
    return fault(check, `A newer program has worked on this database (${strange.join(', ')}).`, remedy)
  }
  const missing = known.filter((name) => !applied.includes(name))
  if (missing.length > 0) {
    const remedy = 'Back up, then start the server: it does that by itself.'
    return caution(check, `The database is to be brought up to date (${missing.join(', ')}).`, remedy)
  }
  return ok(check, 'The database has the form that this program expects.')
}

function judgeAudit(audit: DatabaseFacts['audit']): Finding {
  if (!audit) return unknown('audit', 'The audit log has no entry yet.')
  return ok('audit', `The newest entry of the audit log is number ${audit.seq}; "firmhand audit verify" checks a copy.`)
}
