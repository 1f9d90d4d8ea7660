// All findings of all facts, and how the doctor ends. Pure.
import type { Finding, Grade } from './finding.js'
import { type DatabaseFacts, judgeDatabase } from './judge-database.js'
import { type FolderFacts, judgeFolder } from './judge-folder.js'
import { judgeListener, judgeServer, type ListenerFacts, type ServerFacts } from './judge-listeners.js'
import { judgeMachine, type MachineFacts } from './judge-machine.js'
import { judgePeers, type PeerFacts } from './judge-peers.js'
import { judgePublicUrl, type PublicUrlFacts } from './judge-public-url.js'

export interface Facts {
  machine: MachineFacts
  folder: FolderFacts
  database: DatabaseFacts
  server: ServerFacts
  listeners: ListenerFacts[]
  publicUrl: PublicUrlFacts
  /** null = there is no record to read them from. */
  peers: PeerFacts | null
}

export const judge = (facts: Facts): Finding[] => [
  ...judgeMachine(facts.machine),
  ...judgeFolder(facts.folder),
  ...judgeDatabase(facts.database),
  judgeServer(facts.server),
  ...facts.listeners.map(judgeListener),
  ...judgePublicUrl(facts.publicUrl),
  ...(facts.peers ? [judgePeers(facts.peers)] : []),
]

export function countGrades(findings: readonly Finding[]): Record<Grade, number> {
  const counts: Record<Grade, number> = { ok: 0, unknown: 0, caution: 0, fault: 0 }
  for (const { grade } of findings) counts[grade] += 1
  return counts
}
