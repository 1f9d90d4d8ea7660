// What happened to one unit, in one list.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

interface Item {
  at: string
  kind: string
  what: string
  task: string | null
  by: { id: string; name: string | null } | null
  toVersion: string | null
  detail: Record<string, unknown>
}

describe('the timeline of a unit', () => {
  it('has log and downloads of this unit and no other, oldest first', async () => {
    const { packageId, unitIds } = await prepare(test, { bytes: Buffer.alloc(1000, 3), units: 2 })
    const { body } = await test.call('POST', '/tasks', { units: unitIds, package: packageId })
    const [task] = body.tasks
    await (await fetch(task.link.url, { headers: { 'user-agent': 'test camera', connection: 'close' } })).arrayBuffer()
    await test.call('POST', `/tasks/${task.id}/attest`, { state: 'verified', note: 'read aloud' })
    await test.call('POST', `/tasks/${task.id}/cancel`, { reason: 'r', acknowledge: 'may-be-installing' })
    await (await fetch(task.link.url)).arrayBuffer() // Too late: answered, and kept.
    const read = async () =>
      (await test.call('GET', `/units/${unitIds[0]}/timeline`)).body as { items: Item[]; next: null }
    const { items, next } = await until(read, (found) => found.items.some((item) => item.detail.status === 410))
    expect(next).toBeNull()
    expect((await test.call('GET', `/tasks/${task.id}`)).body.flags).toEqual(['late-trigger-stopped'])
    expect(items.map((item) => item.at)).toEqual(items.map((item) => item.at).sort())
    const what = items.map((item) => `${item.kind} ${item.what}`)
    for (const wanted of [
      'log unit.created',
      'log task.issued',
      'log command.composed',
      'log task.moved',
      'log task.closed',
      'download fetched a part',
      'download was a late trigger and was stopped: its link had ended',
    ])
      expect(what).toContain(wanted)
    expect(items.find((item) => item.kind === 'download')!.detail).toMatchObject({
      link: task.link.id,
      status: 200,
      userAgent: 'test camera',
      span: [0, 999],
    })
    expect(items.find((item) => item.what === 'task.attested')!.detail).toMatchObject({
      state: 'verified',
      note: 'read aloud',
    })
    // Who, and to which version: an auditor asks for nothing else first. A download is nobody's act.
    expect(items.find((item) => item.what === 'task.issued')).toMatchObject({
      by: { id: expect.stringMatching(/^k_/), name: expect.any(String) },
      toVersion: task.toVersion,
    })
    expect(items.find((item) => item.kind === 'download')).toMatchObject({ by: null, toVersion: null })
    expect(items.filter((item) => item.task !== null).every((item) => item.task === task.id)).toBe(true)
    const other = (await test.call('GET', `/units/${unitIds[1]}/timeline`)).body.items
    expect(other.some((item: Item) => item.kind === 'download' || item.task === task.id)).toBe(false)
  })

  it('is of known units only', async () => {
    for (const target of ['timeline', 'versions'])
      expect((await test.call('GET', `/units/nobody/${target}`)).body.code).toBe('unit-not-found')
  })
})
