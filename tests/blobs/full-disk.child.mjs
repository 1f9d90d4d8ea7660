// Started under `ulimit -S -f 1024`: receives 4 MiB where 1 MiB fits, then something small. Prints what happened.
import { readdirSync } from 'node:fs'
import path from 'node:path'
import { Readable } from 'node:stream'
import { diskStore } from '../../dist/src/blobs/disk.driver.js'

const [folder] = process.argv.slice(2)
const store = diskStore(folder)
await store.prepare()
const chunks = (count) => Array.from({ length: count }, () => Buffer.alloc(64 * 1024, 7))
let taken = 0
const source = Readable.from(
  (function* () {
    for (const chunk of chunks(64)) {
      taken += 1
      yield chunk
    }
  })(),
  { objectMode: false, highWaterMark: 64 * 1024 },
)
const big = await store.receive(source, 'big').then(
  () => 'stored',
  (error) => ({ code: error.code, message: error.message, cause: error.cause?.code }),
)
const left = readdirSync(path.join(folder, 'incoming'))
const small = await store.receive(Readable.from(chunks(2), { objectMode: false }), 'small')
console.log(
  JSON.stringify({ big, left, taken, sourceDestroyed: source.destroyed, smallBytes: small.digests.sizeBytes }),
)
