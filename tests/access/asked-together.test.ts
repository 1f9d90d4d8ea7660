// Keys of requests that come at one moment are looked up together: each request still gets the answer to its own key, and a
// key that was revoked opens nothing any more.
import { afterAll, beforeAll, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
let unit: string
beforeAll(async () => {
  test = await startTestApp()
  unit = (await prepare(test, { bytes: Buffer.from('firmware') })).imeis[0]!
})
afterAll(() => test.stop())

const send = async (secret: string): Promise<number> => {
  const response = await fetch(`http://127.0.0.1:${test.app.publicPort}/in/check-ins`, {
    method: 'POST',
    headers: { authorization: `Bearer ${secret}`, 'content-type': 'application/json' },
    body: JSON.stringify({ unit, version: '1.0.0' }),
  })
  await response.arrayBuffer()
  return response.status
}

it('each request is answered by its own key, before and after one of them is revoked', async () => {
  const make = async (role: string) => (await test.call('POST', '/keys', { name: role, role })).body
  const [one, other, reader] = [await make('check-in'), await make('check-in'), await make('auditor')]
  const round = () =>
    Promise.all(
      Array.from({ length: 10 }, () => [one.secret, other.secret, reader.secret, 'fmk-nobody'])
        .flat()
        .map(send),
    )
  const expected = (first: number) => Array.from({ length: 10 }, () => [first, 200, 403, 401]).flat()
  expect(await round()).toEqual(expected(200))
  expect((await test.call('DELETE', `/keys/${one.id}`)).status).toBe(204)
  expect(await round()).toEqual(expected(401))
})
