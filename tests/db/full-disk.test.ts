// A disk that takes no more data, without root: the system's limit of a file's size (setrlimit(2), RLIMIT_FSIZE) makes the
// write fail just like that, and it can be lifted again for the process that runs.
import { execFile } from 'node:child_process'
import { mkdtempSync, rmSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { promisify } from 'node:util'
import BetterSqlite from 'better-sqlite3'
import { describe, expect, it } from 'vitest'

interface Told {
  answered: number[]
  refused: { id: number; code: string; message: string }[]
  atFault: number[]
  again: string
  afterwards: number[]
  published: number[]
}

describe('a full disk', () => {
  // In blocks of 1,024 bytes. Different ones, so that the fault meets different writes: of the log, of the database file.
  it.each([700, 1501, 4203])(
    'refuses the whole group, stores none of it, and goes on with room (%i KiB)',
    async (limit) => {
      const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-full-'))
      try {
        const child = new URL('./full-disk.child.mjs', import.meta.url).pathname
        const file = path.join(folder, 'firmhand.db')
        const shell = `ulimit -S -f ${limit}; exec "$0" "$@"`
        const { stdout } = await promisify(execFile)('bash', ['-c', shell, process.execPath, child, file])
        const told = JSON.parse(stdout) as Told
        expect(told.refused).toHaveLength(5)
        for (const { code, message } of told.refused) {
          expect(code).toBe('storage-full')
          expect(message).toMatch(/nothing was stored/)
        }
        expect(told.answered.length).toBeGreaterThan(0)
        expect(told.atFault).toEqual(told.answered)
        const ids = [...told.answered, ...(told.again === 'stored' ? [9000] : []), 9001]
        expect(told.afterwards).toEqual(ids)
        expect(told.published).toEqual(ids)
        const db = new BetterSqlite(file)
        expect(db.pragma('integrity_check', { simple: true })).toBe('ok')
        db.close()
      } finally {
        rmSync(folder, { recursive: true, force: true })
      }
    },
  )
})
