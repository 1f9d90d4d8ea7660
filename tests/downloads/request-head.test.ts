// RFC 9112 (request heads), with the leniency that domain.md asks for on `/d/` alone.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  bodyOf,
  createHeadReader,
  HEAD_BYTES_MAX,
  HEADER_LINES_MAX,
  type HeadOutcome,
  wantsKeepAlive,
} from '../../src/downloads/request-head.js'

const read = (text: string | Buffer): HeadOutcome => createHeadReader().push(Buffer.from(text as string, 'latin1'))

function headOf(text: string) {
  const outcome = read(text)
  if (outcome.kind !== 'head') throw new Error(`no head but ${JSON.stringify(outcome)}`)
  return outcome.head
}

describe('reading a request head', () => {
  it('takes method, target, version and fields, and leaves what follows', () => {
    const outcome = read('GET /d/t/f HTTP/1.1\r\nHost: h\r\nRange: bytes=0-1\r\n\r\nGET /next')
    expect(outcome).toMatchObject({ kind: 'head', head: { method: 'GET', target: '/d/t/f', minorVersion: 1 } })
    expect(outcome.kind === 'head' && outcome.head.headers.get('range')).toBe('bytes=0-1')
    expect(outcome.kind === 'head' && outcome.rest.toString()).toBe('GET /next')
  })

  it.each([
    ['LF alone (RFC 9112 §2.2 lets a recipient accept it)', 'GET /d/t/f HTTP/1.0\nA: b\n\n'],
    ['empty lines in front (RFC 9112 §2.2)', '\r\n\r\nGET /d/t/f HTTP/1.0\r\nA: b\r\n\r\n'],
    ['several blanks (RFC 9112 §3, lenient parsing)', 'GET  \t/d/t/f   HTTP/1.0 \r\nA:    b  \r\n\r\n'],
    ['no blank behind the colon', 'GET /d/t/f HTTP/1.0\r\nA:b\r\n\r\n'],
    ['two carriage returns', 'GET /d/t/f HTTP/1.0\r\r\nA: b\r\r\n\r\r\n'],
    ['noise between fields', 'GET /d/t/f HTTP/1.0\r\nnoise\r\nA: b\r\n\r\n'],
  ])('is lenient: %s', (_what, text) => {
    const head = headOf(text)
    expect([head.target, head.headers.get('a')]).toEqual(['/d/t/f', 'b'])
  })

  it('joins folded lines and repeated fields (RFC 9112 §5.2, RFC 9110 §5.3)', () => {
    const head = headOf('GET /d/t/f HTTP/1.1\r\n lost\r\nA: one\r\n  two\r\nB: x\r\nb: y\r\n\r\n')
    expect([head.headers.get('a'), head.headers.get('b')]).toEqual(['one two', 'x, y'])
  })

  it('hands on what is not for /d/ as soon as the request line is whole, with every byte', () => {
    expect(read('GET /healthz HTTP/1.1\r\nHo')).toEqual({
      kind: 'other',
      bytes: Buffer.from('GET /healthz HTTP/1.1\r\nHo'),
    })
    expect(read('OPTIONS * HTTP/1.1\r\n').kind).toBe('other')
    expect(read('GET http://h/x HTTP/1.1\r\n').kind).toBe('other')
    expect(read('GET /healthz HTTP/1.1').kind).toBe('more')
  })

  it('takes absolute-form for a download (RFC 9112 §3.2.2)', () => {
    expect(read('GET HTTP://h:8080/d/t/f HTTP/1.1\r\n\r\n').kind).toBe('head')
  })

  it.each([
    ['HTTP/0.9', 'GET /d/t/f\r\n'],
    ['HTTP/2 on a download', 'GET /d/t/f HTTP/2.0\r\n\r\n'],
    ['a TLS greeting', '\x16\x03\x01\x02'],
    ['bytes above ASCII', '\xff'],
    ['a lone word', 'hello\n'],
  ])('refuses %s', (_what, text) => {
    expect(read(text)).toEqual({ kind: 'refused', reason: 'not-http' })
  })

  it('takes a giant User-Agent up to the bound and refuses beyond it', () => {
    const withAgent = (length: number): string => `GET /d/t/f HTTP/1.1\r\nUser-Agent: ${'x'.repeat(length)}\r\n\r\n`
    const fits = HEAD_BYTES_MAX - withAgent(0).length
    expect(read(withAgent(fits)).kind).toBe('head')
    expect(read(withAgent(fits + 1))).toEqual({ kind: 'refused', reason: 'head-too-large' })
  })

  it('bounds the number of fields', () => {
    const withFields = (count: number): string => `GET /d/t/f HTTP/1.1\r\n${'A: b\r\n'.repeat(count)}\r\n`
    expect(read(withFields(HEADER_LINES_MAX)).kind).toBe('head')
    expect(read(withFields(HEADER_LINES_MAX + 1))).toEqual({ kind: 'refused', reason: 'too-many-fields' })
  })
})

describe('what the fields say of the connection', () => {
  const fields = (text: string, version = '1.1') => headOf(`GET /d/t/f HTTP/${version}\r\n${text}\r\n`)

  it.each([
    ['', '1.1', 'none'],
    ['Content-Length: 0\r\n', '1.1', 'none'],
    ['Content-Length: 5\r\n', '1.1', 'follows'],
    ['Content-Length : 5\r\n', '1.1', 'follows'],
    ['Transfer-Encoding: chunked\r\n', '1.1', 'follows'],
    ['Content-Length: 5\r\nContent-Length: 5\r\n', '1.1', 'follows'],
    ['Content-Length: 5\r\nContent-Length: 6\r\n', '1.1', 'faulty'],
    ['Content-Length: -1\r\n', '1.1', 'faulty'],
    ['Content-Length: 5\r\nTransfer-Encoding: chunked\r\n', '1.1', 'faulty'],
    ['Transfer-Encoding: chunked\r\n', '1.0', 'faulty'],
  ])('%j in HTTP/%s: body %s (RFC 9112 §6)', (text, version, expected) => {
    expect(bodyOf(fields(text, version))).toBe(expected)
  })

  it.each([
    ['', '1.1', true],
    ['Connection: close\r\n', '1.1', false],
    ['Connection: Upgrade, CLOSE\r\n', '1.1', false],
    ['', '1.0', false],
    ['Connection: Keep-Alive\r\n', '1.0', true],
  ])('%j in HTTP/%s: kept %s (RFC 9112 §9.3)', (text, version, expected) => {
    expect(wantsKeepAlive(fields(text, version))).toBe(expected)
  })
})

describe('a head in pieces', () => {
  /** Feeds the pieces; what comes behind the head is counted, not kept. */
  function readPieces(pieces: Buffer[]): { outcome: unknown; behind: number } {
    const reader = createHeadReader()
    for (const [place, piece] of pieces.entries()) {
      const outcome = reader.push(piece)
      if (outcome.kind === 'more') continue
      const later = pieces.slice(place + 1).reduce((sum, one) => sum + one.length, 0)
      if (outcome.kind === 'head') {
        const { head, rest } = outcome
        return { outcome: { ...head, headers: [...head.headers] }, behind: rest.length + later }
      }
      return { outcome: outcome.kind === 'other' ? 'other' : outcome, behind: 0 }
    }
    return { outcome: 'more', behind: 0 }
  }

  const line = fc.oneof(
    fc.constantFrom(
      'GET /d/abc/f.bin HTTP/1.1',
      'GET /x HTTP/1.1',
      'Range: bytes=0-',
      ' folded',
      '',
      'A : b',
      'GET /d/a',
    ),
    fc.string({ unit: 'binary', maxLength: 30 }),
  )
  const text = fc
    .array(fc.tuple(line, fc.constantFrom('\r\n', '\n', '\r', '\r\r\n')), { maxLength: 12 })
    .map((lines) => Buffer.from(lines.map((pair) => pair.join('')).join(''), 'latin1'))
  const bytes = fc.oneof(
    text,
    text.map((tail) => Buffer.concat([Buffer.from('GET /d/abc/f.bin HTTP/1.1\r\n'), tail])),
    fc.uint8Array({ maxLength: 200 }).map((array) => Buffer.from(array)),
  )

  it('gives the same however it is cut, and never throws', () => {
    fc.assert(
      fc.property(bytes, fc.array(fc.nat(300), { maxLength: 5 }), (whole, cuts) => {
        const places = [0, ...cuts.filter((cut) => cut < whole.length).sort((a, b) => a - b), whole.length]
        const pieces = places.slice(1).map((end, i) => whole.subarray(places[i], end))
        const single = [...whole].map((byte) => Buffer.from([byte]))
        const expected = readPieces([whole])
        expect(readPieces(pieces)).toEqual(expected)
        expect(readPieces(single)).toEqual(expected)
      }),
      { numRuns: 400 },
    )
  })

  it('gives the same for a head at its bound, byte by byte', () => {
    for (const length of [HEAD_BYTES_MAX - 4, HEAD_BYTES_MAX - 3]) {
      const start = 'GET /d/t/f HTTP/1.1\r\nA: '
      const whole = Buffer.from(`${start}${'x'.repeat(length - start.length)}\r\n\r\n`)
      const single = [...whole].map((byte) => Buffer.from([byte]))
      expect(readPieces(single)).toEqual(readPieces([whole]))
    }
  })
})
