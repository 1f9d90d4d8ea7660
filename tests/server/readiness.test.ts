// Ready is who can do the work: each part that cannot is named, in bounded time.
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { createReadiness } from '../../src/server/readiness.js'
import { startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

describe('/readyz', () => {
  it('is for everybody, says yes where all parts answer, and is kept by nobody', async () => {
    const answer = await fetch(`${test.officeUrl}/readyz`)
    expect([answer.status, await answer.json(), answer.headers.get('cache-control')]).toEqual([
      200,
      { ok: true, onHold: false },
      'no-store',
    ])
    expect((await fetch(`${test.publicUrl}/readyz`)).status).toBe(404)
  })

  it('says no while another program holds the database, and yes again afterwards; both live on', async () => {
    const other = new BetterSqlite(`${test.dataFolder}/firmhand.db`)
    other.exec('begin immediate')
    await new Promise((resolve) => setTimeout(resolve, 1100)) // The last answer is kept for a second.
    const answer = await fetch(`${test.officeUrl}/readyz`)
    expect(answer.status).toBe(503)
    expect(answer.headers.get('content-type')).toContain('application/problem+json')
    expect(await answer.json()).toMatchObject({
      code: 'not-ready',
      detail: expect.stringMatching(/\.$/),
      reasons: [{ code: 'writer-silent' }],
    })
    for (const url of [test.officeUrl, test.publicUrl]) expect((await fetch(`${url}/healthz`)).status).toBe(200)
    other.exec('rollback')
    other.close()
    await new Promise((resolve) => setTimeout(resolve, 1100))
    expect((await fetch(`${test.officeUrl}/readyz`)).status).toBe(200)
  }, 30_000)
})

describe('what is not ready', () => {
  const good = {
    isStopping: () => false,
    writer: async () => undefined,
    publicThread: async () => undefined,
    dataFolder: '/',
    answerMs: 100,
  }
  const never = () => new Promise<void>(() => undefined)
  it.each([
    ['nothing', {}, []],
    ['a stop', { isStopping: () => true, writer: never }, ['stopping']],
    ['a writer that hangs', { writer: never }, ['writer-silent']],
    ['a database that refuses', { writer: () => Promise.reject(new Error('full')) }, ['database-refused']],
    ['a public thread that hangs', { publicThread: never }, ['public-silent']],
    ['both', { writer: never, publicThread: never }, ['writer-silent', 'public-silent']],
  ])('%s', async (_what, change, codes) => {
    expect((await createReadiness({ ...good, ...change })()).map(({ code }) => code)).toEqual(codes)
  })

  it('is looked at once a second, however many ask', async () => {
    let asked = 0
    const ready = createReadiness({
      ...good,
      writer: async () => {
        asked += 1
      },
    })
    await Promise.all([ready(), ready(), ready()])
    expect(asked).toBe(1)
  })
})
