// Lists of units as somebody sends them who wants to harm: a single one must not hold up the house, nor keep its places.
import net from 'node:net'
import { setTimeout } from 'node:timers/promises'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, testImei, until } from '../support/app.js'
import { countUnits, refusals, sendList } from '../units/lists.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
  await prepare(test, { bytes: Buffer.from('firmware of the tests'), units: 1 })
})
afterAll(() => test.stop())

/** Sends a head and a beginning of the body, and hands over the socket. */
async function beginList(body: string, lengthBytes = Buffer.byteLength(body), query = ''): Promise<net.Socket> {
  const { hostname, port } = new URL(test.officeUrl)
  const socket = net.connect(Number(port), hostname)
  socket.on('error', () => undefined)
  await new Promise((resolve) => socket.once('connect', resolve))
  socket.write(
    `POST /api/v1/units/import${query} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${test.keys.operator}\r\n` +
      `Content-Type: text/csv\r\nContent-Length: ${lengthBytes}\r\n\r\n${body}`,
  )
  return socket
}

describe('one cell', () => {
  // A pattern that begins anew at each blank inside takes half of 20,000² steps for a cell: minutes for this list.
  it.each([
    ['blanks', ' '],
    ['blanks of other kinds', '\u00a0'],
    ['signs without width', '\u200b'],
  ])('full of %s inside is told from one that ends with them', async (_, sign) => {
    const cell = `a${sign.repeat(20_000)}b`
    const row = `${testImei(900)},sill-cam,${cell}\n`
    const long = await sendList(test, `imei,model,notes\n${row.repeat(40)}`)
    expect(long.body.rejected.some((finding: { code: string }) => finding.code === 'notes-length')).toBe(true)
    const ends = `imei,model,notes\n${testImei(900)},sill-cam,a${sign.repeat(20_000)}\n`
    expect((await sendList(test, ends, '?check=true')).body).toMatchObject({ created: 1 })
  })

  it.each([
    ['a header that names what every object has', '__proto__,constructor,imei\nx,y,'],
    ['a header of ten thousand columns', `${'c,'.repeat(10_000)}imei\n`],
  ])('%s is a header like any other', async (_, head) => {
    const answer = await sendList(test, `${head}\n`)
    expect([200, 422]).toContain(answer.status)
    expect((answer.body.cautions as unknown[]).length).toBeLessThan(200)
    expect(await countUnits(test)).toBe(1)
  })

  it('a million columns are no row', async () => {
    const answer = await sendList(test, `imei${',c'.repeat(1_000_000)}\n`)
    expect(refusals(answer)).toStrictEqual([[1, null, 'row-too-long']])
  })

  it('one endless line is given up at its beginning', async () => {
    const answer = await sendList(test, `imei,model,notes\n${testImei(901)},sill-cam,${'n'.repeat(5_000_000)}`)
    expect(refusals(answer)).toStrictEqual([[2, null, 'row-too-long']])
  })

  it.each([
    ['an overlong form of a solidus (RFC 3629 §3)', Buffer.from([0xc0, 0xaf])],
    ['half a surrogate pair in UTF-8 (RFC 3629 §3)', Buffer.from([0xed, 0xa0, 0x80])],
    ['NUL', Buffer.from([0])],
  ])('%s is never stored as it came', async (_, bytes) => {
    const list = Buffer.concat([
      Buffer.from(`imei,model,notes\n${testImei(902)},sill-cam,a`),
      bytes,
      Buffer.from('b\n'),
    ])
    const answer = await sendList(test, list, '?check=true')
    expect(answer.status === 422 || answer.body.cautions.length > 0).toBe(true)
  })
})

describe('who goes away', () => {
  const good = `imei,model\n${testImei(910)},sill-cam\n`
  const worksAgain = () =>
    until(
      async () => (await sendList(test, good, '?check=true')).status,
      (status) => status === 200,
    )

  it('in the middle of the upload leaves no place taken and stores nothing', async () => {
    for (let i = 0; i < 5; i += 1) (await beginList(good, 1_000_000)).destroy()
    await worksAgain()
    expect(await countUnits(test)).toBe(1)
  })

  it('right after the upload leaves no place taken', async () => {
    for (let i = 0; i < 6; i += 1) {
      const socket = await beginList(good, undefined, '?check=true')
      await setTimeout(i * 2)
      socket.resetAndDestroy()
    }
    await worksAgain()
  })

  it('in the middle of a long answer leaves no place taken', async () => {
    const bad = `imei,model\n${'1,2\n'.repeat(15_000)}`
    for (let i = 0; i < 5; i += 1) {
      const socket = await beginList(bad)
      await new Promise((resolve) => socket.once('data', resolve))
      socket.resetAndDestroy()
      await setTimeout(100)
    }
    await worksAgain()
  }, 30_000)
})
