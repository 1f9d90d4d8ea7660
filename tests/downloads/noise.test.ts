// Whatever comes in: the server lives, and what goes out is a slice of the very file that was named, or nothing.
import fc from 'fast-check'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { etagOf } from '../../src/downloads/download-plan.js'
import { openRaw, type RawResponse } from '../support/raw-http.js'
import { type ByteServer, pathOf, patternBytes, patternFile, startByteServer, TOKEN } from './byte-server.js'

const FILES = [
  { token: TOKEN, salt: 1, file: patternFile(70_000, 1) },
  { token: 'b'.repeat(16), salt: 2, file: patternFile(3000, 2) },
]

let server: ByteServer
beforeAll(async () => {
  server = await startByteServer({ limits: { headMs: 50, connectionsPerLinkMax: 10_000 } })
  for (const { token, file } of FILES) server.addLink(token, file, { byteBudgetBytes: Number.MAX_SAFE_INTEGER })
})
afterAll(() => server.stop())

const fieldLine = fc.oneof(
  fc
    .tuple(
      fc.constantFrom(
        'Range',
        'range',
        'If-Range',
        'If-Match',
        'If-None-Match',
        'Connection',
        'Content-Length',
        'Expect',
      ),
      fc.oneof(
        fc.constantFrom(
          'bytes=0-',
          'bytes=5-9',
          'bytes=-1',
          'bytes=9999-',
          'bytes=1-2,4-5',
          'close',
          '0',
          '7',
          '*',
          '"x"',
        ),
        fc.string({ maxLength: 20 }),
      ),
    )
    .map((pair) => pair.join(': ')),
  fc.string({ unit: 'binary', maxLength: 30 }),
)

const request = fc
  .record({
    method: fc.constantFrom('GET', 'GET', 'GET', 'HEAD', 'POST', 'X'),
    path: fc.constantFrom(...FILES.map(({ token }) => pathOf(token)), '/d/', '/d/x/y', '/other'),
    version: fc.constantFrom('HTTP/1.1', 'HTTP/1.0', 'HTTP/1.9', 'HTTP/2.0', ''),
    fields: fc.array(fieldLine, { maxLength: 4 }),
    lineEnd: fc.constantFrom('\r\n', '\n'),
    flips: fc.array(fc.tuple(fc.nat(120), fc.nat(255)), { maxLength: 2 }),
  })
  .map(({ method, path, version, fields, lineEnd, flips }) => {
    const bytes = Buffer.from([`${method} ${path} ${version}`, ...fields, '', ''].join(lineEnd), 'latin1')
    for (const [at, value] of flips) if (at < bytes.length) bytes[at] = value
    return bytes
  })

/** The answer is a slice of the file that its ETag names, and that file's token was asked for; all others are empty. */
function check(sent: Buffer, response: RawResponse, bodyless: boolean): void {
  const known = FILES.find(({ file }) => etagOf(file.sha256) === response.field('ETag'))
  if (!known || response.status === 304) {
    // The other server behind the hand-over names what it was asked; nothing else has a body.
    expect(response.body.toString()).toMatch(/^(other .*)?$/)
    return
  }
  expect(sent.toString('latin1').toLowerCase()).toContain(known.token)
  const range = /^bytes (\d+)-(\d+)\//.exec(response.field('Content-Range') ?? '')
  const [first, last] = range ? [Number(range[1]), Number(range[2])] : [0, known.file.sizeBytes - 1]
  if (!bodyless) expect(response.body.equals(patternBytes(first, last, known.salt))).toBe(true)
}

it('requests full of faults', async () => {
  let delivered = 0
  await fc.assert(
    fc.asyncProperty(request, fc.nat(60), async (bytes, cut) => {
      const client = await openRaw(server)
      client.send(bytes.subarray(0, cut))
      client.send(bytes.subarray(cut))
      const bodyless = bytes.toString('latin1').trimStart().startsWith('HEAD')
      const response = await client.response({ bodyless }).catch(() => null) // Dropped without a word is allowed.
      if (response) check(bytes, response, bodyless)
      if (response?.body.length) delivered += 1
      client.destroy()
    }),
    { numRuns: 500 },
  )
  expect(delivered).toBeGreaterThan(10)
  // And it still serves.
  const client = await openRaw(server)
  client.send(`GET ${pathOf()} HTTP/1.1\r\n\r\n`)
  expect((await client.response()).body.length).toBe(70_000)
  expect(server.warnings).toEqual([])
})

it('bytes without any sense', async () => {
  await fc.assert(
    fc.asyncProperty(fc.uint8Array({ minLength: 1, maxLength: 400 }), async (noise) => {
      const client = await openRaw(server)
      client.send(Buffer.from(noise))
      client.halfClose()
      await client.closed()
      client.destroy()
    }),
    { numRuns: 150 },
  )
  expect(server.warnings).toEqual([])
})
