// How much memory the server takes at its highest while 2 GiB are uploaded, beside the same server after 64 MiB: what grows
// with the file would show. The bar of the project is 250 MiB.
import { afterAll, beforeAll, expect, it } from 'vitest'
import { uploadPattern } from '../server/upload-pattern.js'
import { testProfile } from '../support/app.js'
import { processStatus, type ServedApp, serveApp } from '../support/serve.js'

const MIB = 1024 * 1024
const BAR_MIB = 250
const SIZES_MIB = [64, 2048]

let served: ServedApp
beforeAll(async () => {
  served = await serveApp()
})
afterAll(() => served.remove())

it('peak memory of an upload', async () => {
  await served.call('PUT', '/models/sill-cam', testProfile())
  const peakMib = () => processStatus(served.process.pid!, 'VmHWM') / 1024
  const lines = [`idle: ${peakMib().toFixed(0)} MiB`]
  for (const sizeMib of SIZES_MIB) {
    const startMs = performance.now()
    const answer = await uploadPattern(served, sizeMib * MIB, `5.0.${sizeMib}`)
    const seconds = (performance.now() - startMs) / 1000
    expect(answer).toMatchObject({ status: 201, sizeBytes: sizeMib * MIB, sha256: answer.sentSha256 })
    lines.push(
      `${sizeMib} MiB in ${seconds.toFixed(1)} s (${(sizeMib / seconds).toFixed(0)} MiB/s): ${peakMib().toFixed(0)} MiB`,
    )
  }
  process.stdout.write(`\n${lines.map((line) => `upload-memory  ${line}`).join('\n')}\n`)
  expect(peakMib()).toBeLessThan(BAR_MIB)
})
