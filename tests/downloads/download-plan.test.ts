// RFC 9110 §13 to §15 and domain.md "Links", on values: beyond the published vectors, which vectors.test.ts asks on the wire.
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { readRange } from '../../src/downloads/byte-range.js'
import type { LinkEnd, LinkTarget } from '../../src/downloads/delivery.js'
import { isDownloadTarget, readDownloadPath } from '../../src/downloads/download-path.js'
import { etagOf, planDownload, planTooMany } from '../../src/downloads/download-plan.js'
import { formatHttpDate, parseHttpDate } from '../../src/downloads/http-date.js'
import { createHeadReader, type RequestHead } from '../../src/downloads/request-head.js'
import { flagsOfTry } from '../../src/downloads/try-flags.js'

const SHA256 = 'ab'.repeat(32)
const STORED = 'Wed, 01 May 2024 10:00:00 GMT'
const TARGET: LinkTarget = {
  linkId: 'l',
  kind: 'unit',
  sha256: SHA256,
  sizeBytes: 1000,
  fileName: 'F-1.bin',
  storedAtMs: Date.parse(STORED) + 999, // Below a second is cut: HTTP's dates have none.
  contentDisposition: false,
  clientLooksLikeBrowser: false,
  byteBudgetBytes: 1e9,
  end: null,
  ledger: { sentBytes: 0, sent: [], acknowledged: [], inferred: [] },
}
const PATH = '/d/abcdefghjkmnpqrs/F-1.bin'

function requestOf(fields: string[] = [], line = `GET ${PATH} HTTP/1.1`): RequestHead {
  const outcome = createHeadReader().push(Buffer.from([line, ...fields, '', ''].join('\r\n'), 'latin1'))
  if (outcome.kind !== 'head') throw new Error(outcome.kind)
  return outcome.head
}

const plan = (fields: string[] = [], line?: string, target: LinkTarget | null = TARGET) =>
  planDownload({ request: requestOf(fields, line), target, nowMs: 0 })

describe('ranges (RFC 9110 §14.1.2, §14.2)', () => {
  it.each([
    ['bytes=0-0', 'part 0-0'],
    ['bytes=999-', 'part 999-999'],
    ['bytes=-1', 'part 999-999'],
    ['bytes=-1000', 'part 0-999'],
    ['bytes=18446744073709551615-', 'unsatisfiable'],
    ['bytes=99999999999999999999-99999999999999999998', 'whole'], // Last before first, beyond what a double can tell.
    ['bytes=1000-1001', 'unsatisfiable'],
    ['bytes=0-1,2-3', 'whole'],
    ['bytes=0-1,2000-', 'whole'],
    ['bytes=+1-2', 'whole'],
    ['bytes=1 - 2', 'whole'],
    ['bytes=٣-', 'whole'],
    ['', 'whole'],
  ])('%s of 1000 bytes: %s', (field, expected) => {
    const range = readRange(field, 1000)
    expect(range.kind === 'part' ? `part ${range.first}-${range.last}` : range.kind).toBe(expected)
  })

  it('any text gives the whole, nothing, or a slice inside the file', () => {
    const text = fc.oneof(
      fc.string(),
      fc.tuple(fc.bigInt({ min: 0n, max: 2n ** 70n }), fc.nat(2000)).map(([a, b]) => `bytes=${a}-${b}`),
      fc.tuple(fc.nat(2000), fc.nat(2000)).map(([a, b]) => `bytes=${a}-${b}`),
    )
    fc.assert(
      fc.property(text, fc.nat(1500), (field, sizeBytes) => {
        const range = readRange(field, sizeBytes)
        if (range.kind !== 'part') return
        expect(range.first).toBeGreaterThanOrEqual(0)
        expect(range.first).toBeLessThanOrEqual(range.last)
        expect(range.last).toBeLessThan(sizeBytes)
      }),
    )
  })
})

describe('conditions, in the order of RFC 9110 §13.2.2', () => {
  const OURS = etagOf(SHA256)
  const LATER = 'Wed, 01 May 2024 10:00:01 GMT'
  const EARLIER = 'Wed, 01 May 2024 09:59:59 GMT'
  it.each([
    [[`If-Match: ${OURS}`], 200],
    [['If-Match: *'], 200],
    [[`If-Match: "x", ${OURS}`], 200],
    [[`If-Match: W/${OURS}`], 412], // Strong comparison.
    [[`If-Match: ${SHA256}`], 412], // No quotes, no tag.
    [[`If-Match: ${OURS}`, `If-Unmodified-Since: ${EARLIER}`], 200], // The date is not looked at beside If-Match.
    [[`If-Unmodified-Since: ${STORED}`], 200],
    [[`If-Unmodified-Since: ${EARLIER}`], 412],
    [['If-Unmodified-Since: yesterday'], 200],
    [[`If-None-Match: ${OURS}`], 304],
    [[`If-None-Match: W/${OURS}`], 304], // Weak comparison.
    [['If-None-Match: *'], 304],
    [['If-None-Match: "x"', `If-Modified-Since: ${LATER}`], 200], // The date is not looked at beside If-None-Match.
    [[`If-Modified-Since: ${STORED}`], 304],
    [[`If-Modified-Since: ${EARLIER}`], 200],
    [['If-Match: "x"', `If-None-Match: ${OURS}`], 412],
    [['Range: bytes=5-', `If-Match: ${OURS}`], 206],
    [['Range: bytes=5-', `If-Range: ${STORED}`], 206],
    [['Range: bytes=5-', 'If-Range: Wednesday, 01-May-24 10:00:00 GMT'], 206],
    [['Range: bytes=5-', `If-Range: ${EARLIER}`], 200],
    [['Range: bytes=5-', `If-Range: "x", ${OURS}`], 200], // §13.1.5: one tag, no list.
    [['Range: bytes=2000-', 'If-Range: "x"'], 200],
  ])('%j: %i', (fields, status) => {
    expect(plan(fields).status).toBe(status)
  })

  it.each([['Sun, 06 Nov 1994 08:49:37 GMT'], ['Sunday, 06-Nov-94 08:49:37 GMT'], ['Sun Nov  6 08:49:37 1994']])(
    '%s is the example of RFC 9110 §5.6.7 in one of its three forms',
    (text) => {
      expect(parseHttpDate(text)).toBe(Date.UTC(1994, 10, 6, 8, 49, 37))
      expect(formatHttpDate(parseHttpDate(text)!)).toBe('Sun, 06 Nov 1994 08:49:37 GMT')
    },
  )

  it.each(['Sun, 31 Feb 2024 08:49:37 GMT', 'Sun, 06 Nov 1994 24:00:00 GMT', '1994-11-06', ''])(
    '%j is no date',
    (text) => {
      expect(parseHttpDate(text)).toBeNull()
    },
  )
})

describe('answers without a file', () => {
  it.each([
    ['no link', null, [], undefined, 404],
    ['a wrong name', { ...TARGET, fileName: 'G-1.bin' }, [], undefined, 404],
    ['a method that changes things', TARGET, [], `POST ${PATH} HTTP/1.1`, 405],
    ['a part by PUT (RFC 9110 §14.5)', TARGET, ['Content-Range: bytes 0-1/2'], `PUT ${PATH} HTTP/1.1`, 400],
    ['faulty framing', TARGET, ['Content-Length: 1', 'Transfer-Encoding: chunked'], undefined, 400],
    ['a range behind the end', TARGET, ['Range: bytes=1000-'], undefined, 416],
    [
      'an end, even where a condition would say 304',
      { ...TARGET, end: 'ended' as LinkEnd },
      ['If-None-Match: *'],
      undefined,
      410,
    ],
  ] as [string, LinkTarget | null, string[], string | undefined, number][])(
    '%s: empty',
    (_what, target, fields, line, status) => {
      const answer = plan(fields, line, target)
      expect([answer.status, answer.slice]).toEqual([status, null])
      expect(answer.head).toContain('\r\nContent-Length: 0\r\n')
      expect(answer.head).not.toMatch(/Content-Type|ETag|Set-Cookie|Location/)
    },
  )

  it.each(['ended', 'revoked', 'withdrawn', 'expired', 'budget-spent'] as const)('%s is 410', (end) => {
    expect(plan([], undefined, { ...TARGET, end }).status).toBe(410)
  })

  it('a spent budget is 410, though the link lives', () => {
    expect(planDownload({ request: requestOf(), target: TARGET, nowMs: 0, budgetSpent: true }).status).toBe(410)
  })

  it('405 says what is allowed, 416 how long the file is, 429 when to come again', () => {
    expect(plan([], `DELETE ${PATH} HTTP/1.1`).head).toContain('\r\nAllow: GET, HEAD\r\n')
    expect(plan(['Range: bytes=-0']).head).toContain('\r\nContent-Range: bytes */1000\r\n')
    expect(planTooMany(requestOf(), 0).head).toMatch(/\r\nRetry-After: \d+\r\n/)
  })
})

describe('the connection and the name', () => {
  it.each([
    ['HTTP/1.1', [], false, null],
    ['HTTP/1.1', ['Connection: close'], true, 'close'],
    ['HTTP/1.0', [], true, 'close'],
    ['HTTP/1.0', ['Connection: keep-alive'], false, 'keep-alive'],
    ['HTTP/1.1', ['Content-Length: 3'], true, 'close'],
  ] as [string, string[], boolean, string | null][])('%s %j: close %s', (version, fields, close, field) => {
    const answer = plan(fields, `GET ${PATH} ${version}`)
    expect(answer.close).toBe(close)
    expect(/Connection: (.*)\r\n/.exec(answer.head)?.[1] ?? null).toBe(field)
  })

  it('no name can end its line or its quotes (RFC 6266)', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary', minLength: 1, maxLength: 20 }), (fileName) => {
        const line = `GET /d/abcdefghjkmnpqrs/${encodeURIComponent(fileName.replace(/\p{Surrogate}/gu, ''))}x HTTP/1.1`
        const named = { ...TARGET, fileName: `${fileName.replace(/\p{Surrogate}/gu, '')}x`, contentDisposition: true }
        const { head, status } = plan([], line, named)
        expect(status).toBe(200)
        expect(head).toMatch(
          /\r\nContent-Disposition: attachment; filename="(?:[^"\\\r\n]|\\.)*"(?:; filename\*=UTF-8''[\w%.~!$&+^`|-]*)?\r\n/,
        )
        expect(head.split('\r\n').length).toBe(
          plan([], undefined, { ...TARGET, contentDisposition: true }).head.split('\r\n').length,
        )
      }),
    )
  })

  it('reads token and name as leniently as units write them, and nothing else', () => {
    const read = (target: string) => readDownloadPath(target)
    const wanted = { token: 'abcdefghjkmnpqrs', fileName: 'F-1.bin' }
    for (const target of [PATH, `//d/ABCDEFGHJKMNPQRS/F%2D1.bin`, `http://h:1${PATH}`, `${PATH}?x=1`, `${PATH}#x`]) {
      expect(read(target)).toEqual(wanted)
    }
    for (const target of ['/d/abc/F', '/d/abcdefghjkmnpqr0/F', '/d/abcdefghjkmnpqrs', '/d/abcdefghjkmnpqrs/', '*']) {
      expect(read(target)).toBeNull()
    }
    expect(['/d/', '/D/x', 'http://h/d/x', '/data/x', '/', '*', 'h:443'].map(isDownloadTarget)).toEqual([
      true,
      true,
      true,
      false,
      false,
      false,
      false,
    ])
  })
})

describe('what an answer tells the ledger', () => {
  const OURS = etagOf(SHA256)
  it.each([
    [['Range: bytes=5-'], 5],
    [['Range: bytes=5-', `If-Range: ${OURS}`], 5],
    [['Range: bytes=5-', `If-Match: ${OURS}`], 5],
    [['Range: bytes=0-'], null], // A restart.
    [['Range: bytes=5-999'], null], // Not open-ended.
    [['Range: bytes=-5'], null],
    [['Range: bytes=5-', 'If-Match: *'], null], // Names no tag.
    [['Range: bytes=5-', `If-Range: ${STORED}`], null],
    [['Range: bytes=5-', 'If-Range: "x"'], null], // Answered whole.
    [[], null],
  ])('%j goes on at %s', (fields, resumeFrom) => {
    expect(plan(fields).resumeFrom).toBe(resumeFrom)
  })

  it('flags late triggers and what does not look like a unit, and only these', () => {
    const asked = { userAgent: null as string | null, end: null, kind: 'unit' as const, clientLooksLikeBrowser: false }
    const flags = (userAgent: string | null, end: LinkEnd | null = null) => flagsOfTry({ ...asked, userAgent, end })
    expect(flags('Mozilla/5.0 (X)')).toEqual(['not-like-a-unit'])
    expect(flags('linkbot', 'revoked')).toEqual(['late-trigger-stopped', 'not-like-a-unit'])
    for (const userAgent of [null, '', 'curl/7.88.1', 'Wget', 'Robotics-unit/2']) expect(flags(userAgent)).toEqual([])
    expect(flags(null, 'budget-spent')).toEqual([]) // A loop, not a late trigger.
    // A copy link is made for browsers.
    expect(flagsOfTry({ ...asked, userAgent: 'Mozilla/5.0 (X)', kind: 'copy' })).toEqual([])
  })

  it('counts a client with a browser’s name where the profile says that this is the unit’s own, and still no scanner', () => {
    const flags = (userAgent: string) =>
      flagsOfTry({ userAgent, end: null, kind: 'unit', clientLooksLikeBrowser: true })
    expect(flags('Mozilla/5.0 (X)')).toEqual([])
    for (const userAgent of ['Mozilla/5.0 (compatible; linkbot/1)', 'Mozilla/5.0 HeadlessX', 'SafeLinks']) {
      expect(flags(userAgent)).toEqual(['not-like-a-unit'])
    }
  })
})
