// What stands on the paper, whatever the method, the state and the values: cautions, facts to the letter, nothing that runs.
import { createHash } from 'node:crypto'
import { readFileSync } from 'node:fs'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { cautionsBefore } from '../../src/models/cautions.js'
import { OUTCOMES, POST_CHECKS } from '../../src/sheets/hand-report.js'
import { html } from '../../src/sheets/html.js'
import { NOTES_MAX, type Sheet } from '../../src/sheets/sheet.js'
import { SHEET_POLICY, sheetsPieces } from '../../src/sheets/sheet-page.js'
import { METHODS, TASK_EXITS, TASK_STATES } from '../../src/tasks/facts.js'
import { modulesOfSvg, readQr } from './qr-reader.js'

const sheetsPage = (sheets: Sheet[]): string => [...sheetsPieces(sheets)].join('')
const SHA256 = createHash('sha256').update('the file').digest('hex')
const LINK = 'http://fw.example.com/d/abcdefgh23456789/sill.bin'

const sheet = (change: Partial<Sheet> = {}): Sheet => ({
  task: {
    id: 't_1',
    method: 'card',
    state: 'queued',
    reason: null,
    issuedAtMs: Date.UTC(2026, 0, 12, 8),
    deadlineMs: Date.UTC(2026, 0, 19, 8),
    fromVersion: '1.0.0',
    toVersion: '2.0.0',
  },
  unit: { id: 'u_1', imei: '009977022205074', serial: null, hardware: 'C2', iccid: null, groups: ['north'], notes: '' },
  model: { id: 'sill-cam', title: 'Camera', cautions: [{ code: 'x', text: 'Ours gets hot.' }] },
  file: { name: 'sill.bin', sizeBytes: 5_000_000, sha256: SHA256, package: 'p_1' },
  installsOver: null,
  times: { installMinutes: 30, soakMinutes: 15 },
  link: { kind: 'open', url: LINK, expiresAtMs: Date.UTC(2026, 0, 19, 8) },
  stops: [],
  auditHead: { seq: 12, hash: 'ab'.repeat(32) },
  printedAtMs: Date.UTC(2026, 0, 12, 9),
  ...change,
})
const withTask = (change: Partial<Sheet['task']>): Sheet => sheet({ task: { ...sheet().task, ...change } })

/** What a person reads, tags taken off and signs put back. */
const read = (page: string): string =>
  page
    .replace(/<style>[\s\S]*?<\/style>/g, '')
    .replace(/<[^>]*>/g, '')
    .replace(
      /&(amp|lt|gt|quot|#39);/g,
      (_all, name: string) => ({ amp: '&', lt: '<', gt: '>', quot: '"', '#39': "'" })[name]!,
    )

describe('every sheet, of each method in each state', () => {
  const all = METHODS.flatMap((method) => [...TASK_STATES, ...TASK_EXITS].map((state) => [method, state] as const))
  it.each(all)('%s, %s: cautions come first, then unit and file, then steps and boxes', (method, state) => {
    const page = sheetsPage([withTask({ method, state })])
    const text = read(page)
    for (const { text: caution } of [...cautionsBefore(method), { text: 'Ours gets hot.' }])
      expect(text).toContain(caution)
    const order = ['Caution', 'Unit', 'File', 'Tools', 'At the unit', 'Fill in', 'When it does not come up']
    const places = order.map((word) => text.indexOf(word))
    expect(places).toEqual([...places].sort((a, b) => a - b))
    expect(places).not.toContain(-1)
    for (const word of ['IMEI or serial as read', 'Version before', 'Volts under load', 'Version after', 'Signature'])
      expect(text).toContain(word)
    expect(text).toContain('Common practice, no source')
    expect(text).toContain('log 12:abababababababab')
  })

  it('has nothing that runs, folds away or comes from elsewhere', () => {
    for (const method of METHODS) {
      const page = sheetsPage([withTask({ method })])
      expect(page).not.toMatch(
        /<(script|details|iframe|img|link|form|input|button|a)\b|\son\w+=|style="|url\(|@import/i,
      )
      // The only addresses are the link and nothing else.
      expect([...new Set(page.match(/https?:\/\/[^<" ]+/g))]).toEqual([LINK])
    }
  })

  it('allows its one style by its digest, in the field and in the page itself (CSP Level 3)', () => {
    const page = sheetsPage([sheet()])
    const style = /<style>([\s\S]*?)<\/style>/.exec(page)![1]!
    const digest = createHash('sha256').update(style).digest('base64')
    expect(SHEET_POLICY).toBe(
      `default-src 'none'; style-src 'sha256-${digest}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'`,
    )
    expect(read(page.replace(/<meta[^>]*Policy"[^>]*>/, ''))).toBe(read(page))
    expect(page).toContain(`sha256-${digest.replaceAll('&', '&amp;')}`)
    expect(page.match(/<style>/g)).toHaveLength(1)
  })
})

describe('the steps of a method', () => {
  // Field practice, no source: what goes wrong most often by each way.
  it.each([
    ['cable', /12\.0–13\.8 V.*24–28 V/, /fuse 2–3 A/i, /polarity with the meter at the plug BEFORE/, /ignition wire/],
    ['card', /FAT32/, /“\(1\)”/, /“\.bin\.txt”/, /Eject the card/, /DELETE the file/, /sill\.bin/],
    ['hotspot', /battery saver/, /2\.4 GHz/, /WPA2/, /do not switch to another app/i, /within 2 m/],
    ['air', /this task’s link is for the unit alone/i, /--supersede/],
  ] as const)('%s', (method, ...wanted) => {
    const text = read(sheetsPage([withTask({ method })]))
    for (const words of wanted) expect(text).toMatch(words)
    expect(/Eject/.test(text), 'a card is ejected, and only a card').toBe(method === 'card')
    expect(/RS-232/.test(text)).toBe(method === 'cable')
  })

  it('name the versions that the file may be installed over, where there are any', () => {
    expect(read(sheetsPage([sheet({ installsOver: ['1.0.0', '1.1.0'] })]))).toContain('only if it is 1.0.0 or 1.1.0')
    expect(read(sheetsPage([sheet()]))).not.toContain('only if it is')
  })
})

describe('the facts', () => {
  it('are to the letter: groups joined are the value, the size is in bytes, the QR code is the link', () => {
    const page = sheetsPage([sheet()])
    const text = read(page)
    for (const value of [SHA256, '009977022205074', 'sill.bin', '5000000', '1.0.0 → 2.0.0', LINK])
      expect(text).toContain(value)
    expect(page).toContain(`<span>${SHA256.slice(0, 4)}</span><span>${SHA256.slice(4, 8)}</span>`)
    expect(readQr(modulesOfSvg(page).rows)).toBe(LINK)
    expect(text).toContain('sha256sum sill.bin')
    expect(text).toContain('certutil -hashfile sill.bin SHA256')
  })

  it('are escaped, whatever they hold', () => {
    const hostile = `</td><script>alert(1)</script><img src=x onerror="x">&amp;'`
    const page = sheetsPage([
      sheet({
        unit: {
          id: hostile,
          imei: null,
          serial: hostile,
          hardware: hostile,
          iccid: null,
          groups: [hostile],
          notes: hostile,
        },
        model: { id: 'm', title: hostile, cautions: [{ code: 'x', text: hostile }] },
        installsOver: [hostile],
        stops: [hostile],
        task: { ...sheet().task, fromVersion: hostile, toVersion: hostile },
      }),
    ])
    expect(page).not.toMatch(/<script|<img|onerror="/)
    expect(read(page).split(hostile).length).toBeGreaterThan(8)
  })

  it('never become tags or end an attribute (HTML Living Standard §13.1.2.3)', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary' }), (text) => {
        const { text: made } = html`<b title="${text}">${text}</b>`
        expect(made.match(/[<>"']/g)).toEqual(['<', '"', '"', '>', '<', '>'])
        expect(read(made)).toBe(text)
      }),
    )
  })

  it('of a long note the beginning is printed, and that there is more', () => {
    const page = read(sheetsPage([sheet({ unit: { ...sheet().unit, notes: 'n'.repeat(NOTES_MAX + 1) } })]))
    expect(page).toContain(`${'n'.repeat(NOTES_MAX)} … (more`)
    const short = read(sheetsPage([sheet({ unit: { ...sheet().unit, notes: 'n'.repeat(NOTES_MAX) } })]))
    expect(short).not.toContain('(more')
  })
})

describe('docs/hand-work.md', () => {
  it('names every outcome that a sheet can have, and every method', () => {
    const text = readFileSync(new URL('../../docs/hand-work.md', import.meta.url), 'utf8')
    for (const outcome of OUTCOMES) expect(text).toContain(`--outcome ${outcome}`)
    for (const method of METHODS.filter((one) => one !== 'air')) expect(text).toContain(`| \`${method}\``)
    const [, named] = /--checks (\S+)/.exec(text)!
    for (const check of named!.split(',')) expect(POST_CHECKS).toContain(check)
  })
})
