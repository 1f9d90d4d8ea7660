// Where something ends TCP in front of the server, the ledger says "sent" and nothing more (domain: The ledger).
import { randomBytes } from 'node:crypto'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp({ behindProxy: true })
})
afterAll(() => test.stop())

describe('behind a proxy', () => {
  it('a whole download reaches no state, is graded sent, and the task says that it was not counted', async () => {
    const bytes = randomBytes(300_000)
    const { packageId, unitIds, imeis } = await prepare(test, { bytes })
    const issued = await test.call('POST', '/tasks', { unit: unitIds[0], package: packageId })
    const [task] = issued.body.tasks
    expect(task.ledger.grade).toBe('sent')
    expect((await (await fetch(task.link.url)).arrayBuffer()).byteLength).toBe(bytes.length)
    const show = async () => (await test.call('GET', `/tasks/${task.id}`)).body
    const after = await until(show, (found) => found.ledger.sent.length > 0)
    expect(after.ledger).toMatchObject({ grade: 'sent', sent: [[0, bytes.length - 1]], acknowledged: [], inferred: [] })
    expect(after.state).toBe('queued')
    expect(after.flags).toContain('not-counted')

    // The version report moves the task all the same: it needs no ledger.
    const report = { unit: imeis[0], version: '2.0.0', observedAt: new Date(test.nowMs() + 1000).toISOString() }
    const moved = await test.call('POST', '/check-ins', report)
    expect(moved.body.results[0]).toMatchObject({ accepted: true, state: 'applied' })
  })
})
