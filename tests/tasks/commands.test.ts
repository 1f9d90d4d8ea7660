// The command of a task: the template to the letter, counted by a second implementation, refused where a unit could not
// take it.
import { SegmentedMessage } from 'sms-segments-calculator'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp, testImei, testProfile } from '../support/app.js'

let test: TestApp
let count = 0
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

/** A model with this command, one released package, one unit, and what issuing gives. */
async function issueWith(command: object, change: object = {}) {
  count += 1
  const id = `cam-${count}`
  const put = await test.call(
    'PUT',
    `/models/${id}`,
    testProfile({ id, command: { ...testProfile().command, ...command }, ...change }),
  )
  expect(put.status, JSON.stringify(put.body)).toBe(201)
  const { body: pack } = await test.call(
    'POST',
    `/packages?model=${id}&version=2.0.0&fileName=sill.bin`,
    `bytes ${count}`,
  )
  await test.call('POST', `/packages/${pack.id}/release`, {})
  const unit = { imei: testImei(count), serial: `SN ${count}` }
  await test.call('POST', '/units', { ...unit, model: id })
  return { unit, pack, answer: await test.call('POST', '/tasks', { unit: unit.imei, package: pack.id }) }
}

/** https://www.npmjs.com/package/sms-segments-calculator, by others. It counts units in bits. */
function counted(text: string) {
  const message = new SegmentedMessage(text)
  const septets = message.encodingName === 'GSM-7'
  return {
    encoding: message.encodingName,
    segments: message.segmentsCount,
    units: septets ? message.encodedChars.reduce((sum, char) => sum + (char.codeUnits?.length ?? 0), 0) : text.length, // UTF-16 code units, 3GPP TS 23.038 §6.2.3.
  }
}

describe('a command', () => {
  it('is the template to the letter, with every place filled in', async () => {
    const template = ' {{#}} {imei};{serial};{version};{sizeBytes};{crc32};{md5};{fileName}\n{url} '
    const { unit, pack, answer } = await issueWith({ template, maxSegments: 10, maxUnits: null })
    const [task] = answer.body.tasks
    expect(task.command.text).toBe(
      ` {#} ${unit.imei};${unit.serial};2.0.0;${pack.sizeBytes};${pack.digests.crc32};${pack.digests.md5};sill.bin\n${task.link.url} `,
    )
  })

  it('may hold what looks like our own marks, to the letter', async () => {
    const { answer } = await issueWith({ template: '{{token}} {url}' })
    const [task] = answer.body.tasks
    expect(task.command.text).toBe(`{token} ${task.link.url}`)
  })

  it.each([
    ['plain', 'get {url}'],
    ['signs that count twice', 'get [{url}] ~^|\\€'],
    ['at the edge of one message', `${'x'.repeat(160)}{url}`],
    ['two messages', `{url}${'y'.repeat(160)}`],
    ['three messages with signs that count twice across their edges', `{url}${'€'.repeat(180)}`],
    ['beyond the alphabet', 'hole ç {url} – “jetzt”'],
    ['beyond the basic plane', 'get {url} 🚛'],
  ])('is counted as a second implementation counts it: %s', async (_what, template) => {
    const { answer } = await issueWith({ template, encoding: 'any', maxUnits: null, maxSegments: 10 })
    const { text, encoding, units, segments } = answer.body.tasks[0].command
    expect({ encoding, units, segments }).toEqual(counted(text))
  })

  it('brings the cautions of the product, of plain HTTP, of the profile and of its own text', async () => {
    const cautions = [{ code: 'lens-heater', text: 'Switch the lens heater off.' }]
    const { answer } = await issueWith({ template: 'get {url} ' }, { cautions, fileName: 'a_b.bin' })
    const codes = answer.body.tasks[0].command.cautions.map((caution: { code: string }) => caution.code)
    expect(codes).toEqual(
      expect.arrayContaining([
        'not-in-use',
        'stable-supply',
        'configuration',
        'local-rules',
        'plain-http',
        'lens-heater',
        'url-characters-at-risk',
        'blank-at-the-end',
      ]),
    )
    expect(JSON.stringify(answer.body.tasks[0].command.cautions)).toMatch(/does not record/)
  })

  it.each([
    ['a character outside GSM-7', { template: 'get ’{url}’' }, /GSM-7/],
    ['too many units', { template: 'get {url}', maxUnits: 30 }, /30/],
    ['more messages than the unit takes', { template: `get {url} ${'z'.repeat(150)}`, maxUnits: null }, /2 messages/],
    ['a URL that is longer than the unit reads', { template: 'get {url}', urlMaxBytes: 40 }, /URL/],
    ['a sign in the URL at which the unit would split', { template: 'get {url}', forbiddenInUrl: ':' }, /: \(/],
  ])('is refused for %s, and says what', async (_what, command, words) => {
    const { answer } = await issueWith(command)
    expect([answer.status, answer.body.code]).toEqual([409, 'nothing-issued'])
    expect(answer.body.skipped).toEqual([
      { unit: expect.any(String), code: 'command-too-long', detail: expect.stringMatching(words) },
    ])
  })

  it('is logged without token and identities; those stand in the labels, where they can be erased', async () => {
    const { unit, answer } = await issueWith({ template: '{imei} {serial} {url}' })
    const [task] = answer.body.tasks
    const { body } = await test.call('GET', `/audit?unit=${unit.imei}&action=command.composed`)
    const [entry] = body.items
    expect(entry.detail.text).toBe(`{imei} {serial} ${task.link.url.replace(/\/d\/[^/]+/, '/d/…')}`)
    expect(entry.labels).toMatchObject(unit)
  })
})

describe('dispatching', () => {
  it('records that the command went out, and lets the standing begin from there', async () => {
    const { answer } = await issueWith({})
    const [task] = answer.body.tasks
    test.advance(60_000)
    const sent = await test.call('POST', `/tasks/${task.id}/dispatch`, { channel: 'hand' })
    expect(sent.status).toBe(200)
    expect(sent.body.state).toBe('queued') // A text that left is no evidence of anything that arrived.
    expect(Date.parse(sent.body.standing.since)).toBeGreaterThanOrEqual(Date.parse(task.issuedAt) + 60_000)
    const { body } = await test.call('GET', `/audit?unit=${task.unit}&action=command.sent`)
    expect(body.items).toHaveLength(1)
    expect(body.items[0]).toMatchObject({ task: task.id, detail: { channel: 'hand' } })
  })

  it('is refused over channels that do not exist, without a command, and once the task is closed', async () => {
    const { unit, pack, answer } = await issueWith({})
    const [task] = answer.body.tasks
    expect((await test.call('POST', `/tasks/${task.id}/dispatch`, { channel: 'pigeon' })).status).toBe(400)
    await test.call('POST', `/tasks/${task.id}/cancel`, { reason: 'no' })
    expect((await test.call('POST', `/tasks/${task.id}/dispatch`, { channel: 'hand' })).body.code).toBe('state-refused')
    for (const method of ['cable', 'card', 'hotspot']) {
      const hand = await test.call('POST', '/tasks', { unit: unit.imei, package: pack.id, method, supersede: true })
      expect(hand.body.tasks[0]).toMatchObject({
        method,
        command: null,
        link: { state: 'live', expiresAt: hand.body.tasks[0].deadline },
      })
      expect((await test.call('POST', `/tasks/${hand.body.tasks[0].id}/dispatch`, { channel: 'hand' })).body.code).toBe(
        'state-refused',
      )
    }
  })
})
