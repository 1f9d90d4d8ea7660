// The `type` of a problem leads somewhere (RFC 9457 §3.1.1): a page for people, JSON for programs, without a key.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { PROBLEMS } from '../../src/errors.js'
import { startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

const look = (target: string, accept?: string) =>
  fetch(new URL(target, test.officeUrl), { headers: accept === undefined ? {} : { accept } })

describe('the type of a problem', () => {
  it('leads to what the code means, for every code', async () => {
    const refused = await test.call('GET', '/units/nobody')
    const { code, title, when, remedy } = (await (await look(refused.body.type)).json()) as Record<string, string>
    expect({ code, title }).toEqual({ code: refused.body.code, title: refused.body.title })
    expect(`${when}${remedy}`.length).toBeGreaterThan(20)
    for (const known of Object.keys(PROBLEMS)) expect((await look(`/problems/${known}`)).status).toBe(200)
    const all = (await (await look('/problems')).json()) as { items: { code: string }[] }
    expect(all.items.map((item) => item.code)).toEqual(Object.keys(PROBLEMS))
  })

  it('is a page where a browser asks, under the policy of the house', async () => {
    const page = await look('/problems/digest-field-invalid', 'text/html,application/xhtml+xml,*/*;q=0.8')
    expect(page.headers.get('content-type')).toBe('text/html; charset=utf-8')
    expect(page.headers.get('content-security-policy')).toContain("default-src 'self'")
    const text = await page.text()
    expect(text).toContain('<code>Repr-Digest: sha-256=:BASE64:</code>')
    expect(text).not.toMatch(/<script|style=|`/)
  })

  it.each(['nothing', '__proto__', 'constructor', '%3Cscript%3E', 'x'.repeat(65)])('is none for %s', async (code) => {
    const answer = await look(`/problems/${code}`, 'text/html')
    expect([400, 404]).toContain(answer.status)
    expect(answer.headers.get('content-type')).toMatch(/^application\/problem\+json/)
  })
})
