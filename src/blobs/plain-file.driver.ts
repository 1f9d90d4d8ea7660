// Opens files that are nothing but files. A pipe in the place of one would hold a thread of the pool until somebody writes
// into it, and four of them everything that this process does with files.
import { constants } from 'node:fs'
import { type FileHandle, open } from 'node:fs/promises'

/** Its code, where the system has none of its own for it. */
export const NOT_A_FILE = 'EFTYPE'

/** For reading. @throws with the code EFTYPE where a folder, a pipe, a socket or a device lies there */
export async function openPlainFile(file: string): Promise<FileHandle> {
  // POSIX open(): with O_NONBLOCK a pipe is opened at once; files do not care.
  const handle = await open(file, constants.O_RDONLY | constants.O_NONBLOCK)
  try {
    if ((await handle.stat()).isFile()) return handle
  } catch (error) {
    await handle.close()
    throw error
  }
  await handle.close()
  throw Object.assign(new Error(`${file} is no file`), { code: NOT_A_FILE, path: file })
}
