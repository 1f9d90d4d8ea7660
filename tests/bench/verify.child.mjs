// Checks an exported log by the compiled program, and alternately does what no check can do without: reads each of the same
// lines as JSON and takes one SHA-256 of it. In a process of its own, as the command line is.
import { hash } from 'node:crypto'
import { createReadStream, readFileSync } from 'node:fs'
import { exportLineBatches } from '../../dist/src/audit/export-lines.js'
import { verifyExport } from '../../dist/src/audit/verify.js'

const [file, rounds] = process.argv.slice(2)
const product = []
const peer = []
let result
let hashes = 0
for (let n = 0; n < Number(rounds); n += 1) {
  let startMs = performance.now()
  result = await verifyExport(exportLineBatches(createReadStream(file, { highWaterMark: 1024 * 1024 })))
  product.push((performance.now() - startMs) / 1000)

  startMs = performance.now()
  for (const line of readFileSync(file, 'utf8').split('\n')) {
    if (line === '') continue
    if (JSON.parse(line) !== null && hash('sha256', line, 'hex') !== '') hashes += 1
  }
  peer.push((performance.now() - startMs) / 1000)
}
process.send({ product, peer, result, hashes })
