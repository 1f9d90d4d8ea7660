// What a backup says of itself: every file with its size and digest, and what the record in it holds. It is written last,
// so a set of files without one is none. Pure.
import { z } from 'zod'
import { hashOf } from '../audit/chain.js'

export const BACKUP_FORMAT = 'firmhand-backup/1'
export const PROGRAM_VERSION = '0.1.0'

/** Room for 500,000 packages; beyond it none is read into memory. */
export const MANIFEST_MAX_BYTES = 64 * 1024 * 1024

/** Beside the packages, which all sets of one folder share, a set holds these. */
export const SET_FILES = ['firmhand.db', 'secret', 'settings.json'] as const

const Sha256 = z.string().regex(/^[0-9a-f]{64}$/)
const Size = z.number().int().min(0)
const FileView = z.object({ sizeBytes: Size, sha256: Sha256 })

const Manifest = z.object({
  format: z.literal(BACKUP_FORMAT),
  program: z.string(),
  at: z.iso.datetime(),
  server: z.string(),
  /** Names of the migrations that made the database what it is. */
  schema: z.array(z.string()),
  audit: z.object({ seq: Size, hash: Sha256 }),
  counts: z.object({
    units: Size,
    tasks: Size,
    openTasks: Size,
    links: Size,
    packages: Size,
    checkins: Size,
    auditEntries: Size,
  }),
  files: z.record(z.enum(SET_FILES), FileView),
  packages: z.array(FileView),
  /** Files that were damaged in the data folder already and could not be copied. */
  damaged: z.array(z.object({ sha256: Sha256, fault: z.enum(['missing', 'changed', 'unreadable']) })),
  manifestHash: Sha256,
})
export type Manifest = z.infer<typeof Manifest>

/** With the hash of all the rest: the manifest itself may be cut or changed on its way. */
export const sealManifest = (manifest: Omit<Manifest, 'manifestHash'>): Manifest => ({
  ...manifest,
  manifestHash: hashOf(manifest),
})

/** @throws Error that says what is wrong with it */
export function readManifest(text: string): Manifest {
  let value: unknown
  try {
    value = JSON.parse(text)
  } catch {
    throw new Error('the manifest cannot be read: it is cut or changed')
  }
  const format = (value as { format?: unknown } | null)?.format
  if (typeof format === 'string' && format.startsWith('firmhand-backup/') && format !== BACKUP_FORMAT)
    throw new Error(`the backup has the form ${format}, which this program does not know: use a newer one`)
  const { data, error } = Manifest.safeParse(value)
  if (error) {
    const [issue] = error.issues
    throw new Error(`the manifest is not whole: ${issue!.path.join('.') || 'it'} ${issue!.message}`)
  }
  const { manifestHash, ...rest } = value as Manifest
  if (hashOf(rest) !== manifestHash) throw new Error('the manifest was changed: its own digest does not match')
  return data
}
