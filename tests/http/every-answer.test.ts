// What every answer and every line of the log bears, though it is made once or only when it is wanted.
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { createHttpApp } from '../../src/http/app.driver.js'
import { requestLog } from '../../src/http/request-log.driver.js'
import { contentSecurityPolicy } from '../../src/http/security-headers.driver.js'
import type { ZodApp } from '../../src/http/zod-routes.js'
import { createLogger } from '../../src/logger.js'

const lines: Record<string, unknown>[] = []
const log = (level: string) =>
  createLogger(level, { write: (line) => void lines.push(JSON.parse(line) as Record<string, unknown>) })

async function open(level: string): Promise<ZodApp> {
  const app = await createHttpApp({ log: log(level), clock: Date.now })
  app.get('/fine', async () => ({}))
  app.get('/own', async (_request, reply) => reply.header('content-security-policy', "default-src 'none'").send({}))
  app.get('/fails', async () => {
    throw new Error('a bug')
  })
  return app
}

let app: ZodApp
beforeAll(async () => {
  app = await open('info')
})
afterAll(() => app.close())

describe('the security header fields', () => {
  it.each(['/fine', '/fails', '/nowhere'])('stand on every answer: %s', async (url) => {
    const { headers } = await app.inject(url)
    expect(headers['content-security-policy']).toBe(contentSecurityPolicy().replaceAll('; ', ';'))
    // WHATWG Fetch §3.6; WHATWG HTML, X-Frame-Options.
    expect(headers['x-content-type-options']).toBe('nosniff')
    expect(headers['x-frame-options']).toBe('SAMEORIGIN')
    // RFC 6797: only where TLS is, and that is the proxy's.
    expect(headers['strict-transport-security']).toBeUndefined()
  })

  it('give way where a page has a policy of its own, and are back on the next answer', async () => {
    expect((await app.inject('/own')).headers['content-security-policy']).toBe("default-src 'none'")
    expect((await app.inject('/fine')).headers['content-security-policy']).toContain("default-src 'self'")
  })
})

describe('the log of a request', () => {
  it('bears the id that the answer names', async () => {
    lines.length = 0
    const answer = await app.inject('/fails')
    expect(lines.map(({ msg, reqId }) => [msg, reqId])).toEqual([['request failed', answer.json().instance]])
  })

  it('tells of each answer at level debug only', async () => {
    lines.length = 0
    await app.inject('/fine')
    expect(lines).toEqual([])
    const talkative = await open('debug')
    await talkative.inject('/fine?secret=1')
    expect(lines.filter(({ msg }) => msg === 'answered')).toMatchObject([{ method: 'GET', path: '/fine', status: 200 }])
    await talkative.close()
  })

  it('hides what is secret, and is made only when something is said', () => {
    lines.length = 0
    const parent = log('info')
    let made = 0
    const child = parent.child.bind(parent)
    parent.child = ((bindings: Record<string, unknown>) => {
      made += 1
      return child(bindings)
    }) as never
    const own = requestLog(parent, { reqId: 'r_1' })
    expect([own.level, made]).toEqual(['info', 0])
    own.info({ token: 'abc' }, 'one')
    own.warn('two')
    own.trace('nothing')
    expect(made).toBe(1)
    requestLog(log('info'), { reqId: 'r_2' }).child({ part: 'p' }).error('three')
    expect(lines.map(({ msg, reqId, token, part }) => [msg, reqId, token, part])).toEqual([
      ['one', 'r_1', '…', undefined],
      ['two', 'r_1', undefined, undefined],
      ['three', 'r_2', undefined, 'p'],
    ])
  })
})
