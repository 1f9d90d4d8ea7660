// The package store on a real file system: what comes in is what lies there, whole or not at all, and what is served is
// what came in, or nothing.
import { execFile, execFileSync } from 'node:child_process'
import { createHash, randomBytes } from 'node:crypto'
import {
  createReadStream,
  existsSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  readlinkSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs'
import { copyFile, mkdir, open, rename, truncate } from 'node:fs/promises'
import os from 'node:os'
import path from 'node:path'
import { Readable } from 'node:stream'
import { promisify } from 'node:util'
import fc from 'fast-check'
import { describe, expect, it, onTestFinished } from 'vitest'
import { BLOCK_BYTES, type FileDigests } from '../../src/blobs/digests.js'
import { blockReader, DamagedBlobError, diskStore } from '../../src/blobs/disk.driver.js'

const MIB = 1024 * 1024
const hex = (algorithm: string, bytes: Uint8Array) => createHash(algorithm).update(bytes).digest('hex')

async function store() {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-disk-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  const disk = diskStore(folder)
  await disk.prepare()
  const incoming = () => readdirSync(path.join(folder, 'incoming'))
  const packages = () =>
    readdirSync(path.join(folder, 'packages')).flatMap((name) => readdirSync(path.join(folder, 'packages', name)))
  const fileOf = (sha256: string) => path.join(folder, 'packages', sha256.slice(0, 2), sha256)
  const known = new Map<string, FileDigests>()
  let count = 0
  /** Receives and adopts. */
  const add = async (bytes: Uint8Array): Promise<string> => {
    count += 1
    const { digests, temporary } = await disk.receive(Readable.from([bytes], { objectMode: false }), `up-${count}`)
    await disk.adopt(temporary, digests.sha256)
    known.set(digests.sha256, digests)
    return digests.sha256
  }
  const reader = blockReader(folder, async (sha256) => known.get(sha256) ?? null)
  onTestFinished(() => reader.close())
  return { folder, disk, incoming, packages, fileOf, add, reader, known }
}

/** Splits bytes at the given places. */
function pieces(bytes: Buffer, cuts: readonly number[]): Buffer[] {
  const places = [...new Set(cuts.map((cut) => cut % (bytes.length + 1)))].sort((a, b) => a - b)
  return [0, ...places].map((from, index) => bytes.subarray(from, places[index] ?? bytes.length))
}

describe('receiving', () => {
  it('takes all digests of what it writes, whatever pieces it comes in', async () => {
    const { disk, folder } = await store()
    let count = 0
    await fc.assert(
      fc.asyncProperty(
        fc.oneof(fc.integer({ min: 0, max: 3000 }), fc.constantFrom(MIB - 1, MIB, MIB + 1, 2 * MIB, 2 * MIB + 5)),
        fc.array(fc.nat({ max: 3 * MIB }), { maxLength: 12 }),
        async (sizeBytes, cuts) => {
          const bytes = randomBytes(sizeBytes)
          count += 1
          const chunks = pieces(bytes, cuts).filter((piece) => piece.length > 0)
          const received = await disk.receive(Readable.from(chunks, { objectMode: false }), `up-${count}`)
          const { digests } = received
          expect(digests.sizeBytes).toBe(sizeBytes)
          expect(digests.sha256).toBe(hex('sha256', bytes))
          expect(digests.sha1).toBe(hex('sha1', bytes))
          expect(digests.md5).toBe(hex('md5', bytes))
          const blocks = Array.from({ length: Math.ceil(sizeBytes / MIB) }, (_, n) =>
            createHash('sha256')
              .update(bytes.subarray(n * MIB, (n + 1) * MIB))
              .digest(),
          )
          expect(digests.blocks.equals(Buffer.concat(blocks))).toBe(true)
          expect(received.beginning.equals(bytes.subarray(0, 512))).toBe(true)
          const written = readFileSync(path.join(folder, 'incoming', received.temporary))
          expect(written.equals(bytes)).toBe(true)
          await disk.discard(received.temporary)
        },
      ),
      { numRuns: 40 },
    )
  })

  it.each(['at once', 'in the middle', 'at the end'])('leaves nothing of a source that breaks %s', async (when) => {
    const { disk, incoming } = await store()
    const parts = { 'at once': 0, 'in the middle': 3, 'at the end': 8 }[when]!
    for (let round = 0; round < 20; round += 1) {
      const source = Readable.from(
        (async function* () {
          for (let n = 0; n < parts; n += 1) yield randomBytes(64 * 1024)
          throw Object.assign(new Error('aborted'), { code: 'ECONNRESET' })
        })(),
        { objectMode: false },
      )
      await expect(disk.receive(source, `up-${round}`)).rejects.toMatchObject({ code: 'upload-broken' })
    }
    await new Promise((resolve) => setTimeout(resolve, 50)) // What the system still had to do would show by now.
    expect(incoming()).toEqual([])
  })

  it('takes a source that was destroyed before as broken', async () => {
    const { disk, incoming } = await store()
    const source = new Readable({ read: () => undefined })
    source.destroy()
    await expect(disk.receive(source, 'up')).rejects.toMatchObject({ code: 'upload-broken' })
    expect(incoming()).toEqual([])
  })

  it('never writes over another upload', async () => {
    const { disk, incoming, folder } = await store()
    await disk.receive(Readable.from([Buffer.from('first')], { objectMode: false }), 'same')
    const second = disk.receive(Readable.from([Buffer.from('second')], { objectMode: false }), 'same')
    await expect(second).rejects.not.toMatchObject({ code: 'upload-broken' })
    expect(incoming().length).toBeLessThanOrEqual(1)
    if (incoming().length === 1) expect(readFileSync(path.join(folder, 'incoming', 'same'), 'utf8')).toBe('first')
  })

  it('says of a disk that fails otherwise that it is no fault of the upload', async () => {
    const { disk, folder } = await store()
    rmSync(path.join(folder, 'incoming'), { recursive: true })
    const refused = disk.receive(Readable.from([Buffer.from('x')], { objectMode: false }), 'up')
    await expect(refused).rejects.toMatchObject({ message: 'the disk failed', cause: { code: 'ENOENT' } })
  })

  it('says that the disk is full, leaves nothing and takes what fits', async () => {
    const { folder } = await store()
    const child = new URL('./full-disk.child.mjs', import.meta.url).pathname
    const shell = 'ulimit -S -f 1024; exec "$0" "$@"' // Blocks of 1,024 bytes: 1 MiB.
    const { stdout } = await promisify(execFile)('bash', ['-c', shell, process.execPath, child, folder])
    const told = JSON.parse(stdout)
    expect(told).toMatchObject({ big: { code: 'storage-full', cause: 'EFBIG' }, left: [], smallBytes: 128 * 1024 })
    expect(told.sourceDestroyed).toBe(true)
    expect(told.taken).toBeLessThan(40) // It stopped reading soon after.
  })

  it('the same on a file system that is full', async (context) => {
    const { folder } = await store()
    const full = path.join(folder, 'full')
    await mkdir(full)
    try {
      execFileSync('mount', ['-t', 'tmpfs', '-o', 'size=2m', 'tmpfs', full], { stdio: 'ignore' })
    } catch {
      return context.skip('no right to mount here')
    }
    onTestFinished(() => void execFileSync('umount', [full]))
    const disk = diskStore(full)
    await disk.prepare()
    const send = (mib: number) =>
      disk.receive(
        Readable.from(
          Array.from({ length: mib * 16 }, () => randomBytes(65_536)),
          { objectMode: false },
        ),
        `u${mib}`,
      )
    await expect(send(4)).rejects.toMatchObject({ code: 'storage-full', cause: { code: 'ENOSPC' } })
    expect(readdirSync(path.join(full, 'incoming'))).toEqual([])
    expect((await send(1)).digests.sizeBytes).toBe(MIB)
  })
})

describe('keeping', () => {
  it('gives the final name only to what is whole, and takes the same bytes twice', async () => {
    const { add, incoming, packages, fileOf, disk } = await store()
    const bytes = randomBytes(70_000)
    const sha256 = await add(bytes)
    expect(incoming()).toEqual([])
    expect(packages()).toEqual([hex('sha256', bytes)])
    expect(await add(bytes)).toBe(sha256)
    expect(readFileSync(fileOf(sha256)).equals(bytes)).toBe(true)
    expect(statSync(fileOf(sha256)).mode & 0o007).toBe(0) // Nothing for other users of the machine.
    await disk.remove(sha256)
    await disk.remove(sha256)
    expect(packages()).toEqual([])
  })

  it('an adoption that fails leaves the store as it was', async () => {
    const { disk, packages } = await store()
    await expect(disk.adopt('never received', 'ab'.repeat(32))).rejects.toThrow()
    expect(packages()).toEqual([])
  })

  it('sweeps what a crash left, and only that', async () => {
    const { add, disk, folder, incoming, packages } = await store()
    const kept = await add(Buffer.from('kept'))
    const lost = await add(Buffer.from('lost'))
    writeFileSync(path.join(folder, 'incoming', 'up-half'), 'half')
    const removed = await disk.sweep((sha256) => sha256 === kept)
    expect(removed.sort()).toEqual(['up-half', lost].sort())
    expect(incoming()).toEqual([])
    expect(packages()).toEqual([kept])
    expect(await disk.sweep(() => true)).toEqual([])
  })

  it('a real archive, packed by tar, compared by sha256sum', async () => {
    const { disk, folder, fileOf, reader, known } = await store()
    const archive = path.join(folder, 'real.tar.gz')
    execFileSync('tar', ['-czf', archive, '-C', 'node_modules', 'zod'])
    const { digests, temporary } = await disk.receive(createReadStream(archive), 'up')
    await disk.adopt(temporary, digests.sha256)
    known.set(digests.sha256, digests)
    const sums = (file: string, tool: string) =>
      execFileSync(tool, [file], { encoding: 'utf8' }).slice(0, 64).split(' ')[0]
    expect(digests.sha256).toBe(sums(archive, 'sha256sum'))
    expect(digests.sha1).toBe(sums(archive, 'sha1sum'))
    expect(digests.md5).toBe(sums(archive, 'md5sum'))
    expect(sums(fileOf(digests.sha256), 'sha256sum')).toBe(digests.sha256)
    // Put together again from the checked blocks and unpacked: as tar made it.
    const copy = path.join(folder, 'copy.tar.gz')
    const count = Math.ceil(digests.sizeBytes / BLOCK_BYTES)
    for (let n = 0; n < count; n += 1) writeFileSync(copy, await reader.read(digests.sha256, n), { flag: 'a' })
    expect(sums(copy, 'sha256sum')).toBe(sums(archive, 'sha256sum'))
    execFileSync('tar', ['-tzf', copy], { stdio: 'ignore', maxBuffer: 64 * MIB })
  })
})

describe('reading for a download', () => {
  it('gives every block as it was stored', async () => {
    const { add, reader } = await store()
    const bytes = randomBytes(2 * MIB + 77)
    const sha256 = await add(bytes)
    for (const [index, length] of [MIB, MIB, 77].entries()) {
      const block = await reader.read(sha256, index)
      expect(block.length).toBe(length)
      expect(block.equals(bytes.subarray(index * MIB, index * MIB + length))).toBe(true)
    }
    await expect(reader.read(sha256, 3)).rejects.toThrow(RangeError)
  })

  it('never gives wrong bytes: any flipped bit, any cut', async () => {
    const { add, fileOf, folder, known } = await store()
    const bytes = randomBytes(MIB + 5000)
    const sha256 = await add(bytes)
    const good = path.join(folder, 'good')
    await copyFile(fileOf(sha256), good)
    await fc.assert(
      fc.asyncProperty(
        fc.oneof(
          fc.record({ flip: fc.nat({ max: bytes.length - 1 }), bit: fc.nat({ max: 7 }) }),
          fc.record({ cut: fc.nat({ max: bytes.length - 1 }) }),
        ),
        async (damage) => {
          await copyFile(good, fileOf(sha256))
          if ('cut' in damage) await truncate(fileOf(sha256), damage.cut)
          else {
            const file = await open(fileOf(sha256), 'r+')
            await file.write(Buffer.from([bytes[damage.flip]! ^ (1 << damage.bit)]), 0, 1, damage.flip)
            await file.close()
          }
          const reader = blockReader(folder, async () => known.get(sha256)!)
          for (const index of [0, 1]) {
            const isHit =
              'cut' in damage ? damage.cut < [MIB, bytes.length][index]! : Math.floor(damage.flip / MIB) === index
            const block = await reader.read(sha256, index).catch((error: unknown) => error)
            if (isHit) expect(block).toBeInstanceOf(DamagedBlobError)
            else expect((block as Buffer).equals(bytes.subarray(index * MIB, (index + 1) * MIB))).toBe(true)
          }
          await reader.close()
        },
      ),
      { numRuns: 30 },
    )
  })

  it('a missing file, and one that the record does not know', async () => {
    const { add, reader, fileOf } = await store()
    const sha256 = await add(randomBytes(10))
    rmSync(fileOf(sha256))
    await expect(reader.read(sha256, 0)).rejects.toThrow(DamagedBlobError)
    await expect(reader.read('00'.repeat(32), 0)).rejects.toThrow(DamagedBlobError)
    expect(existsSync(fileOf(sha256))).toBe(false)
  })

  it('serves again what was put back from a copy, without a restart', async () => {
    const { add, reader, fileOf, folder } = await store()
    const bytes = randomBytes(2 * MIB)
    const sha256 = await add(bytes)
    await copyFile(fileOf(sha256), path.join(folder, 'copy'))
    await truncate(fileOf(sha256), MIB)
    expect((await reader.read(sha256, 0)).length).toBe(MIB)
    await expect(reader.read(sha256, 1)).rejects.toThrow(DamagedBlobError)
    await rename(path.join(folder, 'copy'), fileOf(sha256)) // Another file under the same name.
    expect((await reader.read(sha256, 1)).equals(bytes.subarray(MIB))).toBe(true)
  })

  it('reads a block once for all who ask, and from many packages at once', async () => {
    const { add, reader } = await store()
    const shared = await add(randomBytes(MIB))
    const [one, two] = await Promise.all([reader.read(shared, 0), reader.read(shared, 0)])
    expect(one).toBe(two)
    expect(await reader.read(shared, 0)).toBe(one)

    // More than the 64 files and the 128 blocks that are kept, all at once and in changing order.
    const all = await Promise.all(
      Array.from({ length: 150 }, (_, n) => randomBytes(100 + n)).map(async (bytes) => ({
        bytes,
        sha256: await add(bytes),
      })),
    )
    for (let round = 0; round < 3; round += 1) {
      const order = round === 1 ? [...all].reverse() : all
      const blocks = await Promise.all(order.map(({ sha256 }) => reader.read(sha256, 0)))
      for (const [index, block] of blocks.entries()) expect(block.equals(order[index]!.bytes)).toBe(true)
    }
    const openFiles = readdirSync('/proc/self/fd').filter((fd) => {
      try {
        return /firmhand-disk-.*\/packages\//.test(readlinkSync(`/proc/self/fd/${fd}`))
      } catch {
        return false
      }
    })
    expect(openFiles.length).toBeLessThanOrEqual(64)
  })
})
