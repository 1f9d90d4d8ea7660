// domain.md "The ledger: what may be claimed", rule by rule, and then against a model of the client's host.
import { describe, expect, it } from 'vitest'
import type { LedgerReport } from '../../src/downloads/delivery.js'
import { joinReports, TRIES_IN_REPORT_MAX } from '../../src/downloads/ledger-report.js'
import { createLinkLedger, FOLLOW_UP_MS, type LinkLedger, type ResponseStart } from '../../src/downloads/link-ledger.js'
import type { Span } from '../../src/downloads/span.js'

const NOTHING = { sentBytes: 0, sent: [], acknowledged: [], inferred: [] }

function newLedger(rules: { behindProxy?: boolean; countReadable?: boolean } = {}, held = NOTHING): LinkLedger {
  const { behindProxy = false, countReadable = true } = rules
  return createLinkLedger({ linkId: 'l', held, rules: { behindProxy, countReadable: () => countReadable } })
}

const begin = (ledger: LinkLedger, tryId: string, span: Span | null, more: Partial<ResponseStart> = {}): void =>
  ledger.begin({
    tryId,
    connectionId: tryId,
    method: 'GET',
    status: 206,
    span,
    resumeFrom: null,
    atMs: 0,
    remoteAddress: '192.0.2.1',
    userAgent: null,
    flags: [],
    ...more,
  })

const report = (ledger: LinkLedger): LedgerReport => ledger.takeReport(99)!

/** A download of [0, 99] that broke off: 60 bytes sent, 40 acknowledged. */
function broken(ledger: LinkLedger, how: 'reset' | 'fin' | 'timeout' | 'complete' | 'revoked' = 'reset'): void {
  begin(ledger, 'one', [0, 99], { status: 200 })
  ledger.sent('one', [0, 59], 1)
  ledger.acknowledged('one', [0, 39], 2)
  ledger.end('one', how, 3)
}

describe('somebody else on the link of a unit', () => {
  const FOREIGN = { status: 200, flags: ['not-like-a-unit' as const], userAgent: 'Mozilla/5.0' }

  it('costs bytes of the budget, stays in the record as a try, and proves nothing', () => {
    const ledger = newLedger()
    begin(ledger, 'browser', [0, 99], FOREIGN)
    ledger.sent('browser', [0, 99], 1)
    ledger.acknowledged('browser', [0, 99], 2)
    ledger.end('browser', 'complete', 3)
    expect(ledger.sentBytes).toBe(100)
    expect(report(ledger)).toMatchObject({
      sent: [],
      acknowledged: [],
      inferred: [],
      sentBytes: 100,
      duplicateBytes: 0,
      firstAskedAtMs: null,
      lastByteAtMs: null,
      flags: ['not-like-a-unit'],
      tries: [{ id: 'browser', sentBytes: 100, acknowledgedBytes: 100, end: 'complete' }],
    })
  })

  it('does not stand in for the unit, whose own bytes count from the first on', () => {
    const ledger = newLedger()
    begin(ledger, 'browser', [0, 99], FOREIGN)
    ledger.sent('browser', [0, 59], 1)
    begin(ledger, 'unit', [0, 99], { status: 200, atMs: 2 })
    ledger.sent('unit', [0, 99], 3)
    ledger.acknowledged('unit', [0, 79], 4)
    expect(report(ledger)).toMatchObject({
      sent: [[0, 99]],
      acknowledged: [[0, 79]],
      sentBytes: 160,
      duplicateBytes: 0,
      firstAskedAtMs: 2,
      lastByteAtMs: 4,
    })
  })

  it('is no break that a unit resumes from, and its resume infers nothing', () => {
    const ledger = newLedger()
    begin(ledger, 'browser', [0, 99], FOREIGN)
    ledger.sent('browser', [0, 99], 1)
    ledger.end('browser', 'reset', 2)
    begin(ledger, 'unit', [50, 99], { resumeFrom: 50 })
    ledger.end('unit', 'reset', 3)
    broken(ledger)
    begin(ledger, 'again', [60, 99], { ...FOREIGN, resumeFrom: 60 })
    expect(report(ledger)).toMatchObject({ inferred: [] })
  })

  it('proves nothing either where the count cannot be read (rule c)', () => {
    const ledger = newLedger({ countReadable: false })
    begin(ledger, 'browser', [0, 99], FOREIGN)
    ledger.sent('browser', [0, 99], 1)
    ledger.followedUp('browser', 1 + FOLLOW_UP_MS)
    expect(report(ledger)).toMatchObject({ sent: [], inferred: [] })
  })
})

describe('sent, acknowledged, duplicates', () => {
  it('keeps them apart and reports only what is new', () => {
    const ledger = newLedger()
    broken(ledger)
    expect(report(ledger)).toMatchObject({
      sent: [[0, 59]],
      acknowledged: [[0, 39]],
      inferred: [],
      sentBytes: 60,
      duplicateBytes: 0,
      firstAskedAtMs: 0,
      lastByteAtMs: 2,
      tries: [{ id: 'one', sentBytes: 60, acknowledgedBytes: 40, end: 'reset', endedAtMs: 3 }],
    })
    expect(ledger.takeReport(100)).toBeNull()
    begin(ledger, 'two', [50, 69])
    ledger.sent('two', [50, 69], 5)
    ledger.acknowledged('two', [50, 69], 6)
    expect(report(ledger)).toMatchObject({
      sent: [[60, 69]],
      acknowledged: [[50, 69]],
      sentBytes: 20,
      duplicateBytes: 10,
    })
  })

  it('starts from what the record holds', () => {
    const ledger = newLedger({}, { sentBytes: 70, sent: [[0, 69]], acknowledged: [[0, 9]], inferred: [] } as never)
    begin(ledger, 'one', [0, 99])
    ledger.sent('one', [0, 79], 1)
    ledger.acknowledged('one', [0, 19], 1)
    expect(ledger.sentBytes).toBe(150)
    expect(report(ledger)).toMatchObject({ sent: [[70, 79]], acknowledged: [[10, 19]], duplicateBytes: 70 })
  })

  it('counts nothing for answers without a body, but notes the try', () => {
    const ledger = newLedger()
    begin(ledger, 'head', null, { method: 'HEAD', status: 200 })
    expect(report(ledger)).toMatchObject({
      sent: [],
      sentBytes: 0,
      firstAskedAtMs: null,
      tries: [{ id: 'head', span: null, end: 'complete' }],
    })
  })

  it('behind a proxy nothing is acknowledged or inferred', () => {
    const ledger = newLedger({ behindProxy: true, countReadable: false })
    broken(ledger)
    begin(ledger, 'two', [50, 99], { resumeFrom: 50 })
    ledger.sent('two', [50, 99], 5)
    ledger.acknowledged('two', [50, 99], 6)
    ledger.followedUp('two', 10_000)
    expect(report(ledger)).toMatchObject({ sent: [[0, 99]], acknowledged: [], inferred: [] })
  })
})

describe('rule b: a resume speaks for what the response that broke off had delivered', () => {
  const inferredAfter = (resumeFrom: number | null, prepare: (ledger: LinkLedger) => void): LedgerReport => {
    const ledger = newLedger()
    prepare(ledger)
    begin(ledger, 'resume', [resumeFrom ?? 50, 99], { resumeFrom })
    return report(ledger)
  }

  it.each(['reset', 'fin', 'timeout'] as const)('from the acknowledged to the offset, after %s', (how) => {
    expect(inferredAfter(50, (ledger) => broken(ledger, how)).inferred).toEqual([[40, 49]])
  })

  it('up to the last byte sent, and never further: then it is flagged', () => {
    expect(inferredAfter(60, broken).inferred).toEqual([[40, 59]])
    expect(inferredAfter(61, broken)).toMatchObject({ inferred: [], flags: ['resume-beyond-sent'] })
  })

  it.each([
    ['a range with an end, another tag or a restart (no resume by the plan)', null, broken],
    ['an offset below what is acknowledged', 30, broken],
    ['a response that ended well', 50, (ledger: LinkLedger) => broken(ledger, 'complete')],
    ['a response that we cut off', 50, (ledger: LinkLedger) => broken(ledger, 'revoked')],
    [
      'another response open in between',
      50,
      (ledger: LinkLedger) => {
        broken(ledger)
        begin(ledger, 'probe', [0, 0])
        ledger.end('probe', 'complete', 4)
      },
    ],
    [
      'a parallel segment that still runs',
      50,
      (ledger: LinkLedger) => {
        begin(ledger, 'beside', [80, 99])
        broken(ledger)
      },
    ],
    [
      'a parallel segment that ran while it was sent',
      50,
      (ledger: LinkLedger) => {
        begin(ledger, 'one', [0, 99])
        ledger.sent('one', [0, 59], 1)
        begin(ledger, 'beside', [80, 99])
        ledger.end('beside', 'complete', 2)
        ledger.end('one', 'reset', 3)
      },
    ],
    [
      'a response that is not known to have broken off',
      50,
      (ledger: LinkLedger) => {
        begin(ledger, 'one', [0, 99])
        ledger.sent('one', [0, 59], 1)
      },
    ],
  ] as [string, number | null, (ledger: LinkLedger) => void][])('not after %s', (_what, resumeFrom, prepare) => {
    expect(inferredAfter(resumeFrom, prepare).inferred).toEqual([])
  })

  it('only once: the next resume finds nothing that broke off', () => {
    const ledger = newLedger()
    broken(ledger)
    begin(ledger, 'two', [45, 99], { resumeFrom: 45 })
    ledger.end('two', 'complete', 5)
    begin(ledger, 'three', [55, 99], { resumeFrom: 55 })
    expect(report(ledger).inferred).toEqual([[40, 44]])
  })
})

describe('rule c: a later request on the connection speaks for a whole response, where nothing can be counted', () => {
  const inferredAfter = (arrivedAtMs: number, rules: { countReadable: boolean }, sentTo = 99): Span[] => {
    const ledger = newLedger(rules)
    begin(ledger, 'one', [0, 99])
    ledger.sent('one', [0, sentTo], 500)
    ledger.followedUp('one', arrivedAtMs)
    return report(ledger).inferred
  }

  it('at least a second after the last byte was handed over', () => {
    expect(inferredAfter(500 + FOLLOW_UP_MS, { countReadable: false })).toEqual([[0, 99]])
  })

  it('not earlier, which may be pipelining; not for an incomplete one; not where the kernel counts', () => {
    expect(inferredAfter(499 + FOLLOW_UP_MS, { countReadable: false })).toEqual([])
    expect(inferredAfter(9999, { countReadable: false }, 98)).toEqual([])
    expect(inferredAfter(9999, { countReadable: true })).toEqual([])
  })

  it('a try whose bytes cannot be counted is complete when handed over, and a reset still corrects it', () => {
    const ledger = newLedger({ countReadable: false })
    begin(ledger, 'one', [0, 99])
    ledger.sent('one', [0, 99], 5)
    expect(report(ledger).tries).toMatchObject([{ end: 'complete', endedAtMs: 5 }])
    ledger.end('one', 'reset', 7)
    expect(report(ledger).tries).toMatchObject([{ end: 'reset', endedAtMs: 7 }])
  })
})

describe('joining a refused batch with what came since', () => {
  it('takes unions and sums, the first and last times, and the newest state of each try', () => {
    const ledger = newLedger()
    begin(ledger, 'one', [0, 99])
    ledger.sent('one', [0, 9], 1)
    const older = report(ledger)
    ledger.sent('one', [10, 19], 2)
    ledger.acknowledged('one', [0, 9], 3)
    ledger.end('one', 'reset', 4)
    expect(joinReports(older, report(ledger))).toMatchObject({
      sent: [[0, 19]],
      acknowledged: [[0, 9]],
      sentBytes: 20,
      firstAskedAtMs: 0,
      lastByteAtMs: 3,
      tries: [{ id: 'one', end: 'reset' }],
    })
  })

  it('bounds the tries: empty ones go first, and it says so', () => {
    const ledger = newLedger()
    begin(ledger, 'body', [0, 99])
    for (let i = 0; i < TRIES_IN_REPORT_MAX + 10; i += 1) begin(ledger, `t${i}`, null, { status: 410 })
    const { tries, flags } = report(ledger)
    expect([tries.length, tries[0]?.id, flags]).toEqual([TRIES_IN_REPORT_MAX, 'body', ['tries-left-out']])
  })
})
