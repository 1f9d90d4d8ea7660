// settings.changed: the log shows when settings that change what links and claims mean were other ones.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp({ settings: { FIRMHAND_TASK_DEADLINE_HOURS: '48' } })
})
afterAll(() => test.stop())

const noted = async () => (await test.call('GET', '/audit?action=settings.changed')).body.items

describe('settings.changed', () => {
  it('is logged at the first start, by the server itself', async () => {
    const [entry, ...more] = await noted()
    expect(more).toEqual([])
    expect(entry).toMatchObject({
      actor: { id: 'system', via: 'system' },
      detail: { before: null, now: { publicUrl: test.publicUrl, behindProxy: false, taskDeadlineHours: 48 } },
    })
  })

  it('is not logged again by a start with the same settings, and is by one with others', async () => {
    await test.restart()
    expect(await noted()).toHaveLength(1)
    await test.restart({ FIRMHAND_BEHIND_PROXY: 'true' })
    const [, entry] = await noted()
    expect(entry.detail).toMatchObject({ before: { behindProxy: false }, now: { behindProxy: true } })
  })
})
