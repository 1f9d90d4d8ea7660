// One upgrade, end to end, through the true server: issue, command, download, check-ins, confirmed, log intact.
import { createHash, randomBytes } from 'node:crypto'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

const MINUTE_MS = 60_000

describe('one upgrade', () => {
  it('goes from queued to confirmed by bytes and version reports alone', async () => {
    const bytes = randomBytes(3_000_000)
    const { packageId, imeis, sha256 } = await prepare(test, { bytes })
    const imei = imeis[0]!
    const report = (version: string) =>
      fetch(`${test.publicUrl}/in/check-ins`, {
        method: 'POST',
        headers: { authorization: `Bearer ${test.keys['check-in']}`, 'content-type': 'application/json' },
        body: JSON.stringify({ unit: imei, version, observedAt: new Date(test.nowMs()).toISOString() }),
      }).then((response) => response.json())
    expect(await report('1.0.0')).toMatchObject({ results: [{ accepted: true, duplicate: false, task: null }] })

    test.advance(MINUTE_MS)
    const issued = await test.call('POST', '/tasks', { unit: imei, package: packageId })
    expect(issued.status).toBe(201)
    const [task] = issued.body.tasks
    expect(task).toMatchObject({ state: 'queued', fromVersion: '1.0.0', toVersion: '2.0.0' })
    expect(task.command.text).toBe(`sill gets ${task.link.url}`)
    const show = async () => (await test.call('GET', `/tasks/${task.id}`)).body

    const download = await fetch(task.link.url)
    const got = Buffer.from(await download.arrayBuffer())
    // Compared with a hash of what was uploaded, taken here by the same algorithm in another place (FIPS 180-4).
    expect(createHash('sha256').update(got).digest('hex')).toBe(createHash('sha256').update(bytes).digest('hex'))
    expect(sha256).toBe(createHash('sha256').update(bytes).digest('hex'))
    const fetched = await until(show, (found) => found.state === 'fetched')
    expect(fetched.ledger).toMatchObject({ grade: 'acknowledged', acknowledged: [[0, bytes.length - 1]], inferred: [] })

    test.advance(10 * MINUTE_MS)
    expect(await report('2.0.0')).toMatchObject({ results: [{ state: 'applied' }] })
    test.advance(14 * MINUTE_MS)
    expect(await report('2.0.0')).toMatchObject({ results: [{ state: 'applied' }] }) // One minute short of the soak.
    test.advance(MINUTE_MS)
    expect(await report('2.0.0')).toMatchObject({ results: [{ state: 'confirmed' }] })

    const confirmed = await show()
    expect(confirmed.moves.map((move: { state: string }) => move.state)).toEqual([
      'queued',
      'fetched',
      'verified',
      'applied',
      'confirmed',
    ])
    expect(confirmed.link.state).toBe('revoked')
    expect((await fetch(task.link.url)).status).toBe(410) // The link ends with its task.

    const copy = await test.call('GET', '/audit?format=jsonl')
    const verified = await verifyExport(exportLines([Buffer.from(copy.body)]))
    expect(verified).toMatchObject({ ok: true, complete: true, fault: null })
  })
})
