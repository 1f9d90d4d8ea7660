// POST /packages of a 1 GiB file, beside Node taking the same digests of the same file: SHA-256, SHA-1, MD5, CRC-32, and the
// SHA-256 of each 1 MiB block. The server also receives the bytes, writes them to disk, flushes them and commits. And: how
// long the office waits for an answer meanwhile.
import { createHash, randomFillSync } from 'node:crypto'
import { once } from 'node:events'
import { createReadStream, createWriteStream } from 'node:fs'
import http from 'node:http'
import path from 'node:path'
import { pipeline } from 'node:stream/promises'
import { crc32 } from 'node:zlib'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { testProfile } from '../support/app.js'
import { type ServedApp, serveApp } from '../support/serve.js'
import { median, report } from './report.js'

const MIB = 1024 * 1024
const SIZE_MIB = 1024
const ROUNDS = 3
const PROBE_MS = 50

let served: ServedApp
let file: string
beforeAll(async () => {
  served = await serveApp()
  await served.call('PUT', '/models/sill-cam', testProfile())
  file = path.join(served.folder, 'upload.bin')
  const block = randomFillSync(Buffer.alloc(MIB))
  await pipeline(function* () {
    for (let n = 0; n < SIZE_MIB; n += 1) {
      block.writeUInt32BE(n)
      yield Buffer.from(block)
    }
  }, createWriteStream(file))
})
afterAll(() => served.remove())

async function upload(version: string): Promise<{ seconds: number; sha256: string }> {
  const startMs = performance.now()
  const request = http.request(
    `${served.officeUrl}/api/v1/packages?model=sill-cam&version=${version}&fileName=upload.bin`,
    {
      method: 'POST',
      headers: {
        authorization: `Bearer ${served.key}`,
        'content-type': 'application/octet-stream',
        'content-length': SIZE_MIB * MIB,
      },
    },
  )
  const answered = once(request, 'response') as Promise<[http.IncomingMessage]>
  await pipeline(createReadStream(file, { highWaterMark: MIB }), request)
  const [response] = await answered
  let text = ''
  for await (const part of response) text += part
  const seconds = (performance.now() - startMs) / 1000
  expect(response.statusCode, text).toBe(201)
  return { seconds, sha256: JSON.parse(text).digests.sha256 }
}

async function hashSameBytes(): Promise<{ seconds: number; sha256: string }> {
  const startMs = performance.now()
  const [sha256, sha1, md5] = ['sha256', 'sha1', 'md5'].map((name) => createHash(name))
  const blocks: Buffer[] = []
  let crc = 0
  for await (const chunk of createReadStream(file, { highWaterMark: MIB }) as AsyncIterable<Buffer>) {
    sha256!.update(chunk)
    sha1!.update(chunk)
    md5!.update(chunk)
    crc = crc32(chunk, crc)
    blocks.push(createHash('sha256').update(chunk).digest())
  }
  const digests = [sha256!.digest('hex'), sha1!.digest('hex'), md5!.digest('hex'), crc.toString(16)]
  expect(blocks.length).toBe(SIZE_MIB)
  return { seconds: (performance.now() - startMs) / 1000, sha256: digests[0]! }
}

/** Asks now and then until it is told to stop; gives how long each answer took. */
function probe(): () => Promise<number[]> {
  const waits: number[] = []
  let running = true
  const done = (async () => {
    while (running) {
      const startMs = performance.now()
      await served.call('GET', '/models/sill-cam')
      waits.push(performance.now() - startMs)
      await new Promise((resolve) => setTimeout(resolve, PROBE_MS))
    }
  })()
  return async () => {
    running = false
    await done
    return waits
  }
}

it('a package of 1 GiB', async () => {
  const rates: { product: number[]; peer: number[] } = { product: [], peer: [] }
  const waits: number[] = []
  for (let n = 0; n < ROUNDS; n += 1) {
    const stop = probe()
    const product = await upload(`1.0.${n}`)
    waits.push(...(await stop()))
    const peer = await hashSameBytes()
    expect(product.sha256).toBe(peer.sha256)
    rates.product.push(SIZE_MIB / product.seconds)
    rates.peer.push(SIZE_MIB / peer.seconds)
  }
  waits.sort((a, b) => a - b)
  report('upload', [
    { name: `${SIZE_MIB} MiB`, ...rates, unit: 'MiB/s', aim: { min: 0.7 } },
    { name: '  the office waits, median', value: median(waits), unit: 'ms' },
    { name: '  the office waits, one in a hundred', value: waits[Math.floor(waits.length * 0.99)]!, unit: 'ms' },
  ])
})
