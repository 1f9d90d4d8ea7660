// The data folder and its disk: facts in, findings out. Pure.
import { caution, type Finding, fault, mib, ok, unknown } from './finding.js'

export interface FolderFacts {
  path: string
  /** null = not there. */
  kind: 'folder' | 'other' | null
  mode: number
  ownerId: number
  /** null: the system knows no users (not POSIX). */
  userId: number | null
  writable: boolean
  /** Permission bits of files in it; null = not there. */
  secret: { mode: number; readable: boolean; valid: boolean } | null
  databaseMode: number | null
  /** In words; null = cannot be told. */
  fileSystem: { name: string; isNetwork: boolean; isVolatile: boolean } | null
  disk: { freeBytes: number; freeInodes: number; inodes: number } | null
  largestPackageBytes: number | null
  /** Files that no running server needs: of uploads, of starts that broke off. */
  leftovers: { files: number; bytes: number }
  isRunning: boolean
}

/** Room for the record to go on for a while, whatever the packages are. */
const FREE_MIN_BYTES = 256 * 1024 * 1024
const FREE_CAUTION_BYTES = 2 * 1024 * 1024 * 1024
/** A package is stored beside its upload for a moment, and the next release is rarely smaller. */
const PACKAGES_OF_ROOM = 3
const INODES_MIN = 1000
const OTHERS_BITS = 0o007
const GROUP_BITS = 0o070

export function judgeFolder(facts: FolderFacts): Finding[] {
  if (facts.kind === null) {
    const remedy = 'Run "firmhand init", or set FIRMHAND_DATA to the right folder.'
    return [fault('data-folder', `There is no folder ${facts.path}.`, remedy)]
  }
  if (facts.kind === 'other') {
    return [fault('data-folder', `${facts.path} is not a folder.`, 'Set FIRMHAND_DATA to a folder.')]
  }
  return [
    judgeOwner(facts),
    judgeModes(facts),
    judgeSecret(facts),
    judgeFileSystem(facts),
    ...judgeDisk(facts),
    judgeLeftovers(facts),
  ]
}

function judgeOwner({ path, ownerId, userId, writable }: FolderFacts): Finding {
  const check = 'data-folder'
  if (!writable) {
    const remedy = 'Give the folder to the server’s user (chown), or run the doctor as that user.'
    return fault(check, `This user cannot write to ${path}.`, remedy)
  }
  if (userId !== null && ownerId !== userId) {
    const remedy = 'Run the doctor as the user of the server: what it finds for another one may not hold.'
    return caution(check, `${path} belongs to user ${ownerId}, and this is user ${userId}.`, remedy)
  }
  return ok(check, `${path} is there, and this user may write to it.`)
}

function judgeModes({ path, mode, databaseMode }: FolderFacts): Finding {
  const check = 'permissions'
  const remedy = `chmod 700 ${path}; chmod 600 ${path}/secret ${path}/firmhand.db`
  const files = databaseMode ?? 0
  if (mode & OTHERS_BITS) return fault(check, 'Every user of this machine can look into the data folder.', remedy)
  if (mode & GROUP_BITS || files & (OTHERS_BITS | GROUP_BITS)) {
    return caution(check, 'The data folder or the database is open to more than its owner.', remedy)
  }
  return ok(check, 'Only their owner can read the data folder and the database.')
}

function judgeSecret({ secret, path, databaseMode }: FolderFacts): Finding {
  const check = 'secret'
  if (!secret && databaseMode === null) return ok(check, 'There is no secret yet: the first start makes one.')
  if (!secret) {
    const remedy = 'Restore the file "secret" from the backup of this folder: a new one ends all keys and links.'
    return fault(check, `${path} has a database and no secret.`, remedy)
  }
  if (!secret.readable) {
    const remedy = `Run the doctor as the server’s user; if it is that, give it the file: chown USER ${path}/secret`
    return fault(check, 'This user may not read the server’s secret: the file belongs to another one.', remedy)
  }
  if (!secret.valid) {
    return fault(check, 'The file "secret" cannot be read as one.', 'Restore it from the backup of this folder.')
  }
  if (secret.mode & (OTHERS_BITS | GROUP_BITS)) {
    return fault(
      check,
      'Others can read the server’s secret: all keys and links follow from it.',
      `chmod 600 ${path}/secret`,
    )
  }
  return ok(check, 'The server’s secret is there, and only its owner can read it.')
}

function judgeFileSystem({ fileSystem, path }: FolderFacts): Finding {
  const check = 'file-system'
  if (!fileSystem) return unknown(check, `On what kind of file system ${path} lies cannot be told here.`)
  if (fileSystem.isNetwork) {
    const remedy = 'Move it to a disk of this machine: locks and flushes of network file systems lose databases.'
    return fault(check, `The data folder lies on a network file system (${fileSystem.name}).`, remedy)
  }
  if (fileSystem.isVolatile) {
    const remedy = 'Move it to a disk, unless this is a trial.'
    return caution(check, `The data folder lies in memory (${fileSystem.name}): a restart empties it.`, remedy)
  }
  return ok(check, `The data folder lies on a file system of this machine (${fileSystem.name}).`)
}

function judgeDisk({ disk, largestPackageBytes }: FolderFacts): Finding[] {
  if (!disk) return [unknown('disk-space', 'How much room there is cannot be told here.')]
  const wantedBytes = Math.max(FREE_CAUTION_BYTES, (largestPackageBytes ?? 0) * PACKAGES_OF_ROOM)
  const free = `${mib(disk.freeBytes)} are free`
  const space =
    disk.freeBytes < FREE_MIN_BYTES
      ? fault('disk-space', `Only ${free}.`, 'Make room: the record stops where the disk ends.')
      : disk.freeBytes < wantedBytes
        ? caution('disk-space', `${free}; a next large package needs up to ${mib(wantedBytes)}.`, 'Make room in time.')
        : ok('disk-space', `${free}.`)
  // Some file systems make them as they need them, and state none.
  const inodes =
    disk.inodes > 0 && disk.freeInodes < INODES_MIN
      ? fault('disk-inodes', `Only ${disk.freeInodes} files can still be made.`, 'Remove files that nobody needs.')
      : ok(
          'disk-inodes',
          disk.inodes > 0 ? `${disk.freeInodes} files can still be made.` : 'Files are not numbered here.',
        )
  return [space, inodes]
}

function judgeLeftovers({ leftovers, isRunning }: FolderFacts): Finding {
  const check = 'leftovers'
  if (leftovers.files === 0) return ok(check, 'No upload or start has left files behind.')
  const said = `${leftovers.files} files of uploads or starts lie around, ${mib(leftovers.bytes)}`
  if (isRunning) return ok(check, `${said}: uploads may be under way; the next start removes what is left of them.`)
  return caution(check, `${said}.`, 'Start the server: it removes them.')
}
