// What an upload does when a part of the server fails under it, and what it leaves alone meanwhile.
import { createHash, randomBytes } from 'node:crypto'
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { Readable } from 'node:stream'
import { describe, expect, it, onTestFinished } from 'vitest'
import { digestThread } from '../../src/blobs/digest-thread.driver.js'
import { receiveFile, ServerFault } from '../../src/blobs/receive.driver.js'

const KIB = 1024
const hex = (algorithm: string, bytes: Uint8Array) => createHash(algorithm).update(bytes).digest('hex')
const streamOf = (bytes: Buffer) => Readable.from([bytes], { objectMode: false })

function room() {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-receive-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  return { folder, file: path.join(folder, 'up') }
}

/** Threads of this process, by the kernel (proc(5)). */
const threads = () => Number(/^Threads:\s+(\d+)/m.exec(readFileSync('/proc/self/status', 'utf8'))![1])

describe('the digest thread', () => {
  it('takes several uploads at once, each by itself, and ends with the last one', async () => {
    const { folder } = room()
    const thread = digestThread()
    // The threads that read and write files are there from the first use on.
    await receiveFile(streamOf(Buffer.alloc(1)), path.join(folder, 'one'), { thread, sha512: false, created: () => {} })
    const before = threads()
    const all = Array.from({ length: 5 }, (_, n) => randomBytes(700 * KIB + n * 300 * KIB))
    const received = await Promise.all(
      all.map((bytes, n) =>
        receiveFile(streamOf(bytes), path.join(folder, `${n}`), { thread, sha512: n % 2 === 0, created: () => {} }),
      ),
    )
    for (const [n, { digests }] of received.entries()) {
      const bytes = all[n]!
      expect(digests).toMatchObject({ sizeBytes: bytes.length, sha256: hex('sha256', bytes), md5: hex('md5', bytes) })
      expect(digests.sha512).toBe(n % 2 === 0 ? hex('sha512', bytes) : undefined)
      expect(readFileSync(path.join(folder, `${n}`)).equals(bytes)).toBe(true)
    }
    await expect.poll(threads).toBeLessThanOrEqual(before)
  })

  it.each([
    ['that cannot start', 'throw new Error("no")'],
    ['that dies at the first bytes', 'require("node:worker_threads").parentPort.on("message", () => process.exit(1))'],
    ['that throws', 'require("node:worker_threads").parentPort.on("message", () => { throw new Error("no") })'],
    [
      'that dies at the end',
      'const { parentPort } = require("node:worker_threads"); parentPort.on("message", ({ id, step }) => step === "finish" ? process.exit(1) : parentPort.postMessage({ id, digests: null }))',
    ],
  ])(
    'one %s fails the upload as a fault of the server, and the next upload starts another one',
    async (_name, code) => {
      const { folder, file } = room()
      const broken = path.join(folder, 'broken.cjs')
      const thread = digestThread(new URL(`file://${broken}`))
      for (let round = 0; round < 2; round += 1) {
        writeFileSync(broken, code)
        const source = streamOf(randomBytes(5000 * KIB))
        const failed = receiveFile(source, `${file}${round}`, { thread, sha512: false, created: () => {} })
        await expect(failed).rejects.toBeInstanceOf(ServerFault)
        await expect(failed).rejects.toMatchObject({ message: 'the digests failed' })
        expect(source.destroyed).toBe(true)
      }
    },
  )

  it('is not needed for a file of one piece', async () => {
    const { file } = room()
    const thread = digestThread(new URL('file:///nowhere.cjs'))
    const bytes = randomBytes(256 * KIB)
    const { digests } = await receiveFile(streamOf(bytes), file, { thread, sha512: false, created: () => {} })
    expect(digests.sha256).toBe(hex('sha256', bytes))
  })
})

describe('receiving', () => {
  it('hears of a source that breaks before the file is open', async () => {
    const { file } = room()
    const source = new Readable({ read: () => undefined })
    const broken = receiveFile(source, file, { thread: digestThread(), sha512: false, created: () => {} })
    source.destroy(new Error('aborted'))
    await expect(broken).rejects.toThrow('aborted')
  })

  it('claims no file that was there before', async () => {
    const { file } = room()
    const options = { thread: digestThread(), sha512: false }
    await receiveFile(streamOf(Buffer.from('first')), file, { ...options, created: () => {} })
    let isClaimed = false
    const created = () => {
      isClaimed = true
    }
    await expect(receiveFile(streamOf(Buffer.from('second')), file, { ...options, created })).rejects.toMatchObject({
      cause: { code: 'EEXIST' },
    })
    expect(isClaimed).toBe(false)
    expect(readFileSync(file, 'utf8')).toBe('first')
    expect(existsSync(file)).toBe(true)
  })

  it('takes no more from a source than it can pass on', async () => {
    const { file } = room()
    // A slow thread: what is not digested yet is not let go.
    const slow = path.join(path.dirname(file), 'slow.cjs')
    const answer = 'parentPort.postMessage({ id, digests: null })'
    const code = `parentPort.on("message", ({ id }) => setTimeout(() => ${answer}, 1000))`
    writeFileSync(slow, `const { parentPort } = require("node:worker_threads"); ${code}`)
    const thread = digestThread(new URL(`file://${slow}`))
    let taken = 0
    const source = new Readable({
      highWaterMark: 64 * KIB,
      read() {
        taken += 64 * KIB
        this.push(Buffer.alloc(64 * KIB))
      },
    })
    const broken = receiveFile(source, file, { thread, sha512: false, created: () => {} })
    broken.catch(() => undefined)
    await expect.poll(() => taken).toBeGreaterThan(2000 * KIB)
    await new Promise((resolve) => setTimeout(resolve, 50))
    expect(taken).toBeLessThan(4000 * KIB)
    source.destroy(new Error('over'))
    await expect(broken).rejects.toThrow('over')
  })
})
