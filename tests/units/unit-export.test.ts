// What goes out as a list comes in again as the same units: for any values that the API takes.
import { spawnSync } from 'node:child_process'
import { parse } from 'csv-parse/sync'
import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { luhnDigit } from '../../src/units/identity.js'
import { joinGroups, splitGroups } from '../../src/units/unit-columns.js'
import { startTestApp, type TestApp, testProfile } from '../support/app.js'
import { countUnits, sendList } from './lists.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await test.call('PUT', '/models/sill-cam', testProfile())
})
afterAll(() => test.stop())

const exported = async (query = ''): Promise<Buffer> => {
  const response = await fetch(`${test.officeUrl}/api/v1/units/export${query}`, {
    headers: { authorization: `Bearer ${test.keys.auditor}` },
  })
  expect(response.headers.get('content-type')).toMatch(/^text\/csv/)
  return Buffer.from(await response.arrayBuffer())
}

/** Texts that hurt in a spreadsheet: formulas, quotes, separators, line breaks, blanks at the ends, numbers, dates. */
const nasty = fc.oneof(
  fc.constantFrom(
    '=1+2";=1+2', // OWASP, CSV injection, example table.
    '+44',
    '-1',
    '@SUM(A1)',
    '\ttab',
    '\rcr',
    '\nlf',
    '\uFF1D1',
    "'apostrophe",
    "''two",
    '="text"',
    '(clear)',
    '"',
    '""',
    ' ends ',
    '\u00a0',
    'a;b,c|d',
    'back\\slash\\',
    'line\r\nbreak',
    '8.9E+18',
    '0049',
    '1-2',
    'MAR-12',
    'TRUE',
    '#N/A',
    '\ufeff',
    '\u200b',
  ),
  fc.string({ unit: 'grapheme', minLength: 1, maxLength: 20 }),
)
const storable = nasty.filter((text) => !/[\0\ud800-\udfff]/u.test(text))
const short = storable.filter((text) => text.length > 0 && text.length <= 64)
const body = fc.record({
  hardware: fc.option(short),
  notes: fc.oneof(fc.constant(''), storable),
  groups: fc.array(short, { maxLength: 4 }),
  phone: fc.option(fc.constantFrom('+441632960961', '+882160012345678', '+123456789012345')),
  iccid: fc.option(fc.constantFrom('8944110000000000008', '89860123456789012348')),
  dataAllowanceBytes: fc.option(fc.maxSafeNat()),
  timeZone: fc.constantFrom('UTC', 'Europe/Berlin', 'America/Argentina/Buenos_Aires'),
  retired: fc.boolean(),
})
// Half of them by serial number alone, of every form: also one that looks like an IMEI.
const serials = fc.oneof(
  fc.constantFrom('=1', '+1', '0012', '490154203237518', '8.9E+18', 'A"B', "'x", 'a;b', '#N/A', '(clear)', '-'),
  fc.stringMatching(/^[!-~]([ -~]{0,20}[!-~])?$/),
)

describe('the export', () => {
  it('read again leaves every unit unchanged, whatever stands in it', async () => {
    const known = new Set<string>()
    let made = 0
    await fc.assert(
      fc.asyncProperty(fc.array(fc.tuple(body, fc.option(serials)), { minLength: 1, maxLength: 8 }), async (units) => {
        for (const [unit, serial] of units) {
          const usesSerial = serial !== null && !known.has(serial)
          if (usesSerial) known.add(serial)
          made += 1
          const imei14 = `0099779900${String(made).padStart(4, '0')}`
          const identity = usesSerial ? { serial } : { imei: imei14 + luhnDigit(imei14) }
          const answer = await test.call('POST', '/units', { model: 'sill-cam', ...unit, ...identity })
          expect(answer.status, JSON.stringify([unit, identity, answer.body])).toBe(201)
        }
        const answer = await sendList(test, await exported())
        expect(answer.body.rejected ?? answer.body).toEqual([])
        expect(answer.body).toMatchObject({ created: 0, updated: 0 })
        expect(answer.body.unchanged).toBe(answer.body.read)
      }),
      { numRuns: 10 },
    )
    expect(await countUnits(test)).toBeGreaterThan(10)
    const text = (await exported()).toString('utf8')
    expect(text.startsWith('\ufeff')).toBe(true)
    // No cell begins like a formula (OWASP); read by csv-parse, since a quoted cell may hold a comma and a plus sign.
    const cells = (parse(text, { bom: true }) as string[][]).flat()
    expect(cells.filter((cell) => /^[=+\-@\t\r]/.test(cell))).toEqual([])
  }, 60_000)

  it.runIf(spawnSync('python3', ['--version']).status === 0)(
    'rewritten by the csv module of Python, with semicolons and in UTF-16, is still the same units',
    async () => {
      const script = `import csv, io, sys
rows = list(csv.reader(io.StringIO(sys.stdin.buffer.read().decode('utf-8-sig'), newline='')))
out = io.StringIO(newline='')
csv.writer(out, delimiter=';').writerows(rows)
sys.stdout.buffer.write(out.getvalue().encode('utf-16'))`
      const { stdout, status } = spawnSync('python3', ['-c', script], { input: await exported(), maxBuffer: 1e8 })
      expect(status).toBe(0)
      const answer = await sendList(test, stdout)
      expect(answer.body.rejected ?? answer.body).toEqual([])
      expect(answer.body.unchanged).toBe((await sendList(test, await exported())).body.read)
    },
  )

  it('keeps to the filters of the list of units', async () => {
    await test.call('POST', '/units', { serial: 'only-one', model: 'sill-cam', groups: ['a group of its own'] })
    const text = (await exported('?group=a%20group%20of%20its%20own')).toString('utf8')
    expect(text.trim().split('\r\n')).toHaveLength(2)
    expect((await exported('?model=nobody')).toString('utf8').trim().split('\r\n')).toHaveLength(1)
  })

  it('brings the units to another server whole', async () => {
    const second = await startTestApp()
    await second.call('PUT', '/models/sill-cam', testProfile())
    const serialsLikeImeis = (await exported())
      .toString('utf8')
      .split('\r\n')
      .filter((line) => !line.includes('490154203237518'))
    const answer = await sendList(second, serialsLikeImeis.join('\r\n'))
    expect(answer.body.rejected ?? answer.body).toEqual([])
    expect(answer.body.created).toBe(answer.body.read)
    const { body: copy } = await second.call('GET', '/units/export')
    // Reading a text takes its byte order mark off.
    serialsLikeImeis[0] = serialsLikeImeis[0]!.slice(1)
    expect(copy.split('\r\n').sort()).toEqual(serialsLikeImeis.sort())
    await second.stop()
  })
})

describe('groups in one cell', () => {
  it('come back as they were', () => {
    fc.assert(
      fc.property(fc.array(short, { maxLength: 6 }), (names) => {
        expect(splitGroups(joinGroups(names))).toEqual(names)
      }),
    )
  })

  it('are separated as people do it', () => {
    expect(splitGroups(' depot north;winter , vans|night\nlorries;; ')).toEqual([
      'depot north',
      'winter',
      'vans',
      'night',
      'lorries',
    ])
    expect(splitGroups('a\\;b; \\ c')).toEqual(['a;b', ' c'])
  })
})

describe('any list', () => {
  it('of any bytes is answered, and never by a failure of the server', async () => {
    const header = fc.constantFrom('', 'imei,model\n', 'serial;model;groups\r\n', '\ufeffimei\tserial\n')
    const line = fc.constantFrom(
      '490154203237518',
      '"',
      ',',
      ';',
      '\t',
      '\n',
      '\r',
      'sill-cam',
      "'",
      '=',
      '\0',
      'é',
      '\ufeff',
      '8,9E+14',
    )
    const text = fc
      .tuple(header, fc.array(line, { maxLength: 30 }))
      .map(([first, rest]) => Buffer.from(first + rest.join('')))
    await fc.assert(
      fc.asyncProperty(fc.oneof(text, fc.uint8Array({ maxLength: 200 })), async (bytes) => {
        const answer = await sendList(test, bytes, '?check=true')
        expect([200, 422]).toContain(answer.status)
        if (answer.status === 422) expect(answer.body.rejected.length).toBeGreaterThan(0)
      }),
      { numRuns: 60 },
    )
  }, 60_000)

  it('with partial stores exactly its good rows', async () => {
    let n = 0
    await fc.assert(
      fc.asyncProperty(
        fc.array(fc.constantFrom('good', 'model', 'imei', 'phone', 'doubled'), { maxLength: 12 }),
        async (kinds) => {
          const before = await countUnits(test)
          const rows = kinds.map((kind) => {
            n += 1
            const imei14 = `0099779800${String(n).padStart(4, '0')}`
            const imei = imei14 + luhnDigit(imei14)
            if (kind === 'good') return `${imei},sill-cam,`
            if (kind === 'model') return `${imei},no-cam,`
            if (kind === 'imei') return `${imei14}x,sill-cam,`
            if (kind === 'phone') return `${imei},sill-cam,12`
            return `${imei},sill-cam,\n${imei},sill-cam,`
          })
          const answer = await sendList(test, `imei,model,phone\n${rows.join('\n')}\n`, '?partial=true')
          const good = kinds.filter((kind) => kind === 'good').length
          const doubled = kinds.filter((kind) => kind === 'doubled').length
          expect(answer.status).toBe(200)
          expect(answer.body).toMatchObject({ created: good, rejectedRows: kinds.length - good + doubled })
          expect(await countUnits(test)).toBe(before + good)
        },
      ),
      { numRuns: 10 },
    )
  }, 60_000)
})
