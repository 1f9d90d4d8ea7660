// Lists from spreadsheets: what is taken, what is refused and how it is named, and that nothing is half taken.
import { readFileSync } from 'node:fs'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp, testImei, testProfile } from '../support/app.js'
import { cautions, countUnits, refusals, sendList } from './lists.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await test.call('PUT', '/models/sill-cam', testProfile())
  await test.call('PUT', '/models/dash-cam', testProfile({ id: 'dash-cam' }))
})
afterAll(() => test.stop())

let count = 10_000
const imei = () => testImei(count++)

describe('a list', () => {
  it('adds units with all they have, changes those that are known, and leaves alone what says nothing new', async () => {
    const [one, two] = [imei(), imei()]
    const text = [
      'IMEI,Serial No.,model,HW,Phone Number,SIM,Groups,time_zone,data allowance,Notes,retired',
      `${one},S-1,sill-cam,B,+44 1632 960961,8944110000000000008F,"depot north; winter",Europe/Berlin,500 MB,"left, by the mirror",no`,
      `${two},,sill-cam,,,,,,,,`,
      '',
    ].join('\r\n')
    const first = await sendList(test, text)
    expect(first.body).toMatchObject({ read: 2, created: 2, updated: 0, unchanged: 0, rejected: [], stored: true })
    expect(first.status).toBe(200)
    expect((await test.call('GET', `/units/${one}`)).body).toMatchObject({
      imei: one,
      serial: 'S-1',
      model: 'sill-cam',
      hardware: 'B',
      phone: '+441632960961',
      iccid: '8944110000000000008',
      groups: ['depot north', 'winter'],
      timeZone: 'Europe/Berlin',
      dataAllowanceBytes: 500_000_000,
      notes: 'left, by the mirror',
      retired: false,
    })
    const again = await sendList(test, text)
    expect(again.body).toMatchObject({ read: 2, created: 0, updated: 0, unchanged: 2 })
    // An absent column and an empty cell leave what is stored; the word for it clears.
    const change = await sendList(test, `serial;groups;notes;phone\nS-1;(clear);;(clear)\n`)
    expect(change.body).toMatchObject({ read: 1, created: 0, updated: 1, unchanged: 0 })
    const after = (await test.call('GET', `/units/${one}`)).body
    expect(after).toMatchObject({ groups: [], notes: 'left, by the mirror', phone: null, timeZone: 'Europe/Berlin' })
    const log = (await test.call('GET', `/audit?unit=${one}`)).body.items
    expect(log.map((entry: { action: string }) => entry.action)).toEqual(['unit.created', 'unit.changed'])
    expect(log[1].detail.changed).toEqual(['groups', 'phone'])
    expect(JSON.stringify(log[1].detail)).not.toContain(one)
  })

  it('with one bad row stores nothing, and says so as a problem that names the row', async () => {
    const good = imei()
    const before = await countUnits(test)
    const head = (await test.call('GET', '/audit/head')).body.seq
    const text = `imei,model\n${good},sill-cam\n490154203237519,sill-cam\n`
    const answer = await sendList(test, text)
    expect(answer.status).toBe(422)
    expect(answer.headers.get('content-type')).toBe('application/problem+json')
    expect(answer.body).toMatchObject({ code: 'list-refused', status: 422, read: 2, created: 0, stored: false })
    expect(answer.body.rejected).toEqual([
      { line: 3, column: 'imei', value: '490154203237519', code: 'imei-check-digit', detail: expect.any(String) },
    ])
    expect(await countUnits(test)).toBe(before)
    expect((await test.call('GET', '/audit/head')).body.seq).toBe(head)
    const partial = await sendList(test, text, '?partial=true')
    expect(partial.status).toBe(200)
    expect(partial.body).toMatchObject({ read: 2, created: 1, rejectedRows: 1, stored: true })
    expect(await countUnits(test)).toBe(before + 1)
  })

  it('is judged and not stored by check=true', async () => {
    const text = `imei,model\n${imei()},sill-cam\n`
    const before = await countUnits(test)
    const answer = await sendList(test, text, '?check=true')
    expect(answer.status).toBe(200)
    expect(answer.body).toMatchObject({ created: 1, stored: false })
    expect(await countUnits(test)).toBe(before)
    expect((await sendList(test, `imei,model\n1,x\n`, '?check=true')).status).toBe(422)
  })

  it('is for operators, and for tables of text only', async () => {
    const send = (key: string | null, type = 'text/csv') =>
      test.call('POST', '/units/import?check=true', `imei,model\n${imei()},sill-cam\n`, {
        key,
        headers: { 'content-type': type },
      })
    expect((await send(test.keys.operator)).status).toBe(200)
    expect((await send(test.keys.auditor)).status).toBe(403)
    expect((await send(test.keys['check-in'])).status).toBe(403)
    expect((await send(null)).status).toBe(401)
    expect((await send(test.keys.operator, 'application/json')).status).toBe(415)
    expect((await test.call('GET', '/units/export', undefined, { key: test.keys.auditor })).status).toBe(200)
    expect((await test.call('GET', '/units/export', undefined, { key: null })).status).toBe(401)
  })

  it('sent again with the same Idempotency-Key is answered by the numbers of the first time', async () => {
    const headers = { 'idempotency-key': `list-${count}` }
    const text = `imei,model\n${imei()},sill-cam\n`
    expect((await sendList(test, text, '', headers)).body).toMatchObject({ created: 1, unchanged: 0 })
    expect((await sendList(test, text, '', headers)).body).toMatchObject({ created: 1, unchanged: 0 })
    const other = await sendList(test, `imei,model\n${imei()},sill-cam\n`, '', headers)
    expect(other.body.code).toBe('idempotency-mismatch')
  })

  it('of the example file is taken as it is', async () => {
    await test.call('PUT', '/models/tarnlight-t1', testProfile({ id: 'tarnlight-t1' }))
    const bytes = readFileSync(path.resolve(import.meta.dirname, '../../demo-data/units-example.csv'))
    const answer = await sendList(test, bytes, '?check=true')
    expect({ rejected: answer.body.rejected, cautions: answer.body.cautions }).toEqual({ rejected: [], cautions: [] })
    expect(answer.body.read).toBeGreaterThan(2)
  })
})

describe('what spreadsheets did to a cell', () => {
  // Ours, from what is known to happen (common practice, no source); check digits by 3GPP TS 23.003 annex B.
  const CELLS: [what: string, column: string, cell: string, code: string, remedy: RegExp][] = [
    ['exponent form', 'imei', '4.90154E+14', 'imei-exponent', /as text/],
    ['exponent form with a comma', 'imei', '"8,9E+14"', 'imei-exponent', /as text/],
    ['exponent form of a SIM', 'iccid', '8.9E+18', 'iccid-exponent', /as text/],
    ['the last digit lost', 'imei', '490154203237510', 'imei-digit-lost', /490154203237518/],
    ['leading zeros lost', 'imei', '12345678901237', 'imei-zeros-lost', /012345678901237/],
    ['leading zeros lost, or the check digit missing', 'imei', '49015420323751', 'imei-zeros-lost', /490154203237518/],
    ['the check digit missing', 'imei', '86453202000006', 'imei-length', /864532020000060/],
    ['digits of a SIM lost', 'iccid', '8944110000000000000', 'iccid-digits-lost', /spreadsheet/],
    ['an IMEI of zeros', 'imei', '000000000000000', 'imei-zeros', /label/],
    ['a serial number for an IMEI', 'imei', 'AB-4711', 'imei-digits', /column serial/],
    ['an IMEI for a serial number', 'serial', '490154203237518', 'serial-is-imei', /column imei/],
    ['a serial number in exponent form', 'serial', '1.2E+12', 'serial-exponent', /as text/],
    ['a phone number without a country', 'phone', '01632960961', 'phone-plus', /region/],
    ['a phone number with a letter', 'phone', '+44163296O961', 'phone-digits', /digits/],
    ['an unknown model', 'model', 'Sill Cam', 'model-unknown', /write sill-cam/],
    ['a time zone that is none', 'timeZone', 'Mars/Olympus', 'time-zone-unknown', /Europe\/Berlin/],
    ['a time zone by its letters', 'timeZone', 'CEST', 'time-zone-unknown', /IANA/],
    ['an allowance of two meanings', 'dataAllowanceBytes', '1.500 MB', 'allowance-ambiguous', /without/],
    ['an allowance in words', 'dataAllowanceBytes', 'much', 'allowance-unknown', /MB/],
    ['retired, perhaps', 'retired', 'maybe', 'retired-unknown', /yes/],
    ['no value at all', 'notes', '#N/A', 'spreadsheet-error', /formula/],
    ['a NUL', 'notes', 'a\0b', 'text-invalid', /NUL/],
    ['notes without end', 'notes', 'x'.repeat(4001), 'notes-length', /shorten/],
    ['the model cleared', 'model', '(clear)', 'clear-refused', /by itself/],
  ]
  // ITU-T E.118: the last digit is by Luhn. Both pass it; the first ends as a number of 15 digits that a spreadsheet wrote out.
  it('a SIM number that was rounded and has the right check digit by chance is taken with a caution', async () => {
    const send = (iccid: string) => sendList(test, `imei,model,iccid\n${imei()},sill-cam,${iccid}\n`, '?check=true')
    expect(cautions(await send('8944100000000000000'))).toEqual([[2, 'iccid', 'iccid-perhaps-rounded']])
    expect(cautions(await send('8944100000000001008'))).toEqual([])
  })

  it.each(CELLS)('%s (%s) is refused as it is, with what to do', async (_what, column, cell, code, remedy) => {
    const row: Record<string, string> = { imei: imei(), model: 'sill-cam', [column]: cell }
    if (column === 'serial') row.imei = ''
    const names = Object.keys(row)
    const answer = await sendList(test, `${names.join(',')}\n${names.map((name) => row[name]).join(',')}\n`)
    expect(answer.status).toBe(422)
    expect(refusals(answer)).toEqual([[2, column, code]])
    expect(answer.body.rejected[0].detail).toMatch(remedy)
    expect(answer.body.rejected[0].value.length).toBeLessThanOrEqual(61)
  })

  it.each([
    ['blanks inside', (i: string) => `${i.slice(0, 2)} ${i.slice(2, 8)} ${i.slice(8)}`, ['cell-repaired']],
    ['no-break spaces', (i: string) => `\u00a0${i.slice(0, 8)}\u00a0${i.slice(8)}\u202f`, ['cell-repaired']],
    ['nothing of any width', (i: string) => `\u200b${i}\ufeff`, []],
    ['a zero-width space inside', (i: string) => `${i.slice(0, 3)}\u200b${i.slice(3)}`, ['cell-repaired']],
    ['dashes', (i: string) => `${i.slice(0, 8)}-${i.slice(8)}`, ['cell-repaired']],
    ['thousands separators', (i: string) => `"${i.replace(/\B(?=(\d{3})+$)/g, ',')}"`, ['cell-repaired']],
    ['a fraction of nothing', (i: string) => `${i}.0`, ['cell-repaired']],
    ['a text formula', (i: string) => `"=""${i}"""`, ['text-formula']],
    ['an apostrophe', (i: string) => `'${i}`, []],
    ['its software version', (i: string) => `${i.slice(0, 14)}07`, ['imeisv-cut']],
  ])('an IMEI with %s is taken, and what was done is said', async (_what, spoil, codes) => {
    const right = imei()
    const answer = await sendList(test, `imei;model\n${spoil(right)};sill-cam\n`)
    expect(answer.body.rejected).toEqual([])
    expect(cautions(answer)).toEqual(codes.map((code) => [2, 'imei', code]))
    expect((await test.call('GET', `/units/${right}`)).status).toBe(200)
  })

  it('phone numbers in their national form are read for a region that is named, and only then', async () => {
    for (const [cell, region] of [
      ['01632 960961', 'GB'],
      ['1632960961', 'gb'], // The zero was lost.
      ['441632960961', 'GB'], // The plus was lost.
      ['(01632) 960-961', 'GB'],
    ]) {
      const unit = imei()
      const answer = await sendList(test, `imei,model,phone\n${unit},sill-cam,${cell}\n`, `?region=${region}`)
      expect(answer.body.rejected).toEqual([])
      expect((await test.call('GET', `/units/${unit}`)).body.phone, cell).toBe('+441632960961')
    }
    const wrong = await sendList(test, `imei,model,phone\n${imei()},sill-cam,12\n`, '?region=GB')
    expect(refusals(wrong)).toEqual([[2, 'phone', 'phone-region']])
    expect((await sendList(test, 'imei\n1\n', '?region=XX')).status).toBe(400)
  })
})

describe('rows that contradict each other or the record', () => {
  it('about the same unit are refused both, each naming the other', async () => {
    const [twice, once] = [imei(), imei()]
    const text = `imei,serial,model\n${twice},A-1,sill-cam\n${once},A-2,sill-cam\n${twice},,sill-cam\n,A-1,sill-cam\n`
    const answer = await sendList(test, text, '?partial=true')
    expect(answer.body).toMatchObject({ read: 4, created: 1, rejectedRows: 3 })
    expect(refusals(answer)).toEqual([
      [2, 'imei', 'doubled'],
      [2, 'serial', 'doubled'],
      [4, 'imei', 'doubled'],
      [5, 'serial', 'doubled'],
    ])
    expect(answer.body.rejected[0].detail).toContain('Line 4')
    expect(answer.body.rejected[2].detail).toContain('Line 2')
    expect((await test.call('GET', `/units/${twice}`)).status).toBe(404)
  })

  it('one by IMEI and one by serial number, of one stored unit, are seen as the same unit', async () => {
    const unit = imei()
    await sendList(test, `imei,serial,model\n${unit},B-1,sill-cam\n`)
    const answer = await sendList(test, `imei,serial,notes\n${unit},,a\n,B-1,b\n`)
    expect(refusals(answer)).toEqual([
      [2, 'imei', 'doubled'],
      [3, 'imei', 'doubled'],
    ])
  })

  it('that mix two units up are refused, and a missing model of a new one', async () => {
    const [one, two] = [imei(), imei()]
    await sendList(test, `imei,serial,model\n${one},C-1,sill-cam\n${two},C-2,sill-cam\n`)
    const text = `imei,serial,model\n${one},C-2,sill-cam\n${imei()},C-1,sill-cam\n${imei()},,\nSER-9,${imei()},sill-cam\n`
    const answer = await sendList(test, text)
    expect(refusals(answer)).toEqual([
      [2, 'serial', 'identity-conflict'],
      [3, 'serial', 'identity-conflict'],
      [4, 'model', 'model-missing'],
      [5, 'imei', 'identities-exchanged'],
    ])
    expect(refusals(await sendList(test, `imei,serial,model\n,,sill-cam\n`))).toEqual([[2, 'imei', 'identity-missing']])
  })

  it('a unit that is known by one of its names learns the other', async () => {
    await sendList(test, `serial,model\nD-1,sill-cam\n`)
    const unit = imei()
    expect((await sendList(test, `imei,serial\n${unit},D-1\n`)).body).toMatchObject({ updated: 1 })
    expect((await test.call('GET', '/units/D-1')).body.imei).toBe(unit)
  })

  it('two units on one phone or one SIM are a caution, within the list and beside it; exchanged SIMs are none', async () => {
    const [a, b, c] = [imei(), imei(), imei()]
    const [phoneA, phoneB] = ['+441632960801', '+441632960802']
    const answer = await sendList(
      test,
      `imei,model,phone,iccid\n${a},sill-cam,${phoneA},8944110000000000008\n${b},sill-cam,${phoneA},8944110000000000008\n`,
    )
    expect(cautions(answer).filter(([, column]) => column === 'phone')).toEqual([
      [2, 'phone', 'phone-shared'],
      [3, 'phone', 'phone-shared'],
    ])
    expect(cautions(answer).filter(([, , code]) => code === 'iccid-shared').length).toBeGreaterThanOrEqual(2)
    const third = await sendList(test, `imei,model,phone\n${c},sill-cam,${phoneB}\n`)
    expect(cautions(third)).toEqual([])
    const move = await sendList(test, `imei,phone\n${c},${phoneA}\n`)
    expect(cautions(move)).toEqual([[2, 'phone', 'phone-shared']])
    await sendList(test, `imei,phone\n${a},${phoneA}\n${b},${phoneB}\n${c},(clear)\n`)
    const exchange = await sendList(test, `imei,phone\n${a},${phoneB}\n${b},${phoneA}\n`)
    expect(cautions(exchange).filter(([, column]) => column === 'phone')).toEqual([])
    expect(exchange.body.updated).toBe(2)
  })

  it('a unit with an open task keeps its model and stays in use', async () => {
    const added = await test.call(
      'POST',
      '/packages?model=sill-cam&version=9.0.0&fileName=sill.bin',
      'firmware of the list',
    )
    await test.call('POST', `/packages/${added.body.id}/release`, {
      acceptFindings: added.body.findings.map((f: { code: string }) => f.code),
    })
    const unit = imei()
    await sendList(test, `imei,model,phone\n${unit},sill-cam,+441632960803\n`)
    const issued = await test.call('POST', '/tasks', { unit, package: added.body.id })
    expect(issued.status).toBe(201)
    expect(refusals(await sendList(test, `imei,model\n${unit},dash-cam\n`))).toEqual([[2, 'model', 'open-task']])
    expect(refusals(await sendList(test, `imei,retired\n${unit},yes\n`))).toEqual([[2, 'retired', 'open-task']])
    expect((await sendList(test, `imei,notes\n${unit},x\n`)).body.updated).toBe(1)
  })
})

describe('a file as a whole', () => {
  it.each([
    ['that is empty', '', 1, 'file-empty'],
    ['of blank lines', '\r\n\r\n;;;\r\n', 1, 'file-empty'],
    ['without a header', '490154203237518,sill-cam\n', 1, 'header-missing'],
    ['with a column twice', 'imei,model,IMEI\n1,2,3\n', 1, 'column-doubled'],
    ['that is a workbook', 'PK\u0003\u0004whatever', 1, 'file-not-csv'],
    ['with a quote that never ends', 'imei,model\n"490154203237518,sill-cam\n2,3\n', 2, 'quote-not-closed'],
    ['with a row without end', `imei,model\n"${'x\n'.repeat(40_000)}`, 2, 'row-too-long'],
  ])('%s is refused, partial or not, with its line', async (_what, text, line, code) => {
    for (const query of ['', '?partial=true', '?check=true']) {
      const answer = await sendList(test, text, query)
      expect(answer.status).toBe(422)
      expect(answer.body.rejected.map((row: { line: number; code: string }) => [row.line, row.code])).toEqual([
        [line, code],
      ])
    }
  })

  it('names both columns that are read as one, in the words of the file', async () => {
    const { body } = await sendList(test, 'imei,model,SIM,ICCID\n1,2,3,4\n')
    expect(body.rejected[0].detail).toMatch(/columns SIM and ICCID .* iccid/)
  })

  it('names columns that it does not know, and reads the rest', async () => {
    const answer = await sendList(test, `imei,colour,model\n${imei()},red,sill-cam\n`)
    expect(cautions(answer)).toEqual([[1, null, 'column-unknown']])
    expect(answer.body.created).toBe(1)
  })

  it('refuses a row with more cells than the header, and takes empty ones behind it', async () => {
    const answer = await sendList(test, `imei,model\n${imei()},sill-cam,,,\n${imei()},sill-cam,more\n`)
    expect(refusals(answer)).toEqual([[3, null, 'cells-too-many']])
  })
})
