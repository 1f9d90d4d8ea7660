// The data folder: what lies where, the server's secret, and the lock that keeps a second server out.
import { createHash, randomBytes } from 'node:crypto'
import { chmodSync, existsSync, mkdirSync, readFileSync, realpathSync, writeFileSync } from 'node:fs'
import net from 'node:net'
import path from 'node:path'

export interface DataFolder {
  folder: string
  databaseFile: string
  /** 256 bits, hex. Links, keys and sessions follow from it: whoever has it and the database has everything. */
  serverSecret: string
}

const SECRET_BYTES = 32

/** Creates what is missing, readable by the server's user only. */
export function openDataFolder(folder: string): DataFolder {
  mkdirSync(folder, { recursive: true, mode: 0o750 })
  const secretFile = path.join(folder, 'secret')
  if (!existsSync(secretFile)) {
    writeFileSync(secretFile, `${randomBytes(SECRET_BYTES).toString('hex')}\n`, {
      mode: 0o600,
      flag: 'wx',
      flush: true,
    })
  }
  chmodSync(secretFile, 0o600)
  const serverSecret = readFileSync(secretFile, 'utf8').trim()
  if (!/^[0-9a-f]{64}$/.test(serverSecret)) {
    throw new Error(`${secretFile} is not a secret of this program; restore it from the backup of this data folder.`)
  }
  return { folder, databaseFile: path.join(folder, 'firmhand.db'), serverSecret }
}

/**
 * Holds the folder for one server: a second one would sweep away the first one's uploads. A socket of the kernel's
 * abstract namespace goes with the process, so nothing is left to clean up after a crash. Only Linux has them.
 */
export function lockDataFolder(folder: string): Promise<() => Promise<void>> {
  if (process.platform !== 'linux') return Promise.resolve(async () => undefined)
  const name = createHash('sha256').update(realpathSync(folder)).digest('hex').slice(0, 32)
  return new Promise((resolve, reject) => {
    const server = net.createServer((socket) => socket.destroy())
    server.once('error', () => reject(new Error(`Another server runs on ${folder}: stop it first.`)))
    server.listen(`\0firmhand:${name}`, () => {
      server.unref()
      resolve(() => new Promise((done) => server.close(() => done())))
    })
  })
}
