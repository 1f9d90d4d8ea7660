// What the database and the file system say when the disk takes no more data. Pure.
import { AppError } from '../errors.js'

const codeOf = (error: unknown): string =>
  typeof error === 'object' && error !== null && 'code' in error ? String(error.code) : ''

/** A full disk shows as SQLITE_FULL, or as a failed write of the log or the shared memory file; or by the system's codes. */
export const isStorageFault = (error: unknown): boolean =>
  /^(SQLITE_(FULL|IOERR)|ENOSPC$|EDQUOT$|EFBIG$)/.test(codeOf(error))

/** At a start: what an operator is told; null where it is another fault. */
export const storageFull = (of: string, cause: unknown): AppError | null =>
  isStorageFault(cause)
    ? new AppError('storage-full', `The disk of ${of} takes no more data. Make room, then start again.`, {}, { cause })
    : null
