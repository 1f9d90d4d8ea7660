// The doctor on true servers: with nothing in between, behind a forwarder, behind a proxy that re-writes, on a stopped one.
import { chmodSync, rmSync } from 'node:fs'
import http from 'node:http'
import net, { type AddressInfo, type Server } from 'node:net'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import type { Finding } from '../../src/doctor/finding.js'
import { cli } from '../cli/run.js'
import { startTestApp, type TestApp } from '../support/app.js'

let test: TestApp
const open: Server[] = []
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(async () => {
  for (const server of open) server.close()
  await test.stop()
})

async function listen(server: Server): Promise<number> {
  open.push(server)
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return (server.address() as AddressInfo).port
}

async function examine(settings: Record<string, string> = {}) {
  const env = {
    FIRMHAND_DATA: test.dataFolder,
    FIRMHAND_PUBLIC_LISTEN: new URL(test.publicUrl).host,
    FIRMHAND_OFFICE_LISTEN: new URL(test.officeUrl).host,
    FIRMHAND_PUBLIC_URL: test.publicUrl,
    ...settings,
  }
  const said = await cli(['doctor', '--json'], env)
  const { findings, healthy } = said.json() as { findings: Finding[]; healthy: boolean }
  const gradeOf = (check: string) => findings.find((finding) => finding.check === check)?.grade
  return { exit: said.exit, findings, healthy, gradeOf, faults: findings.filter(({ grade }) => grade === 'fault') }
}

describe('a server that runs', () => {
  it('in good order has no fault, is known by its mark, and is seen to be direct', async () => {
    const { exit, faults, gradeOf, findings } = await examine()
    // The machine of the tests may have a low limit of open files: that is its own fault.
    expect(faults.filter(({ check }) => check !== 'open-files')).toEqual([])
    if (faults.length === 0) expect(exit).toBe(0)
    for (const check of [
      'server',
      'public-port',
      'office-port',
      'permissions',
      'secret',
      'database',
      'schema',
      'audit',
    ])
      expect(gradeOf(check), check).toBe('ok')
    for (const check of ['reach', 'wire', 'direct']) expect(gradeOf(`public-${check}-ipv4`), check).toBe('ok')
    expect(JSON.stringify(findings)).not.toMatch(/fmk-/)
  })

  it('behind something that ends TCP is told so, unless the setting says it', async () => {
    const forwarder = net.createServer((client) => {
      const up = net.connect(test.app.publicPort, '127.0.0.1')
      client.pipe(up).pipe(client)
      for (const socket of [client, up]) socket.on('error', () => undefined)
    })
    const url = `http://127.0.0.1:${await listen(forwarder)}`
    const without = await examine({ FIRMHAND_PUBLIC_URL: url })
    expect([without.gradeOf('public-wire-ipv4'), without.gradeOf('public-direct-ipv4')]).toEqual(['ok', 'fault'])
    expect([without.exit, without.healthy]).toEqual([1, false])
    const said = await examine({ FIRMHAND_PUBLIC_URL: url, FIRMHAND_BEHIND_PROXY: 'true' })
    expect(said.gradeOf('public-direct-ipv4')).toBe('ok')
    expect((await examine({ FIRMHAND_BEHIND_PROXY: 'true' })).gradeOf('public-direct-ipv4')).toBe('caution')
  })

  it('behind a proxy that re-writes answers is told so', async () => {
    const proxy = http.createServer((request, response) => {
      const { url, headers } = request
      http.get({ port: test.app.publicPort, path: url, headers }, (answer) => {
        response.writeHead(answer.statusCode!, { ...answer.headers, via: '1.1 between' })
        answer.pipe(response)
      })
    })
    const found = await examine({ FIRMHAND_PUBLIC_URL: `http://127.0.0.1:${await listen(proxy)}` })
    expect(found.gradeOf('public-reach-ipv4')).toBe('ok')
    expect(found.gradeOf('public-wire-ipv4')).toBe('fault')
  })

  it.each([
    ['a redirect', (response: http.ServerResponse) => response.writeHead(302, { location: 'https://x/' }).end()],
    ['another program', (response: http.ServerResponse) => response.writeHead(404).end('not here')],
  ])('its address leads to %s: that is a fault', async (_what, answer) => {
    const other = http.createServer((_request, response) => void answer(response))
    const found = await examine({ FIRMHAND_PUBLIC_URL: `http://127.0.0.1:${await listen(other)}` })
    expect(found.gradeOf('public-reach-ipv4')).toBe('fault')
  })

  it('tells whom it sees only to who has its secret', async () => {
    for (const path of ['/d/2222222222222222/x', `/d/2222222222222222/${'0'.repeat(32)}`]) {
      const answer = await fetch(`${test.publicUrl}${path}`)
      expect([answer.status, answer.headers.get('firmhand-peer'), await answer.text()]).toEqual([404, null, ''])
    }
  })
})

describe('a server that is stopped', () => {
  it('has its ports free, or taken by somebody who is named; its folder closed or open', async () => {
    await test.app.stop()
    const free = await examine()
    expect([free.gradeOf('server'), free.gradeOf('public-port'), free.gradeOf('public-reach')]).toEqual([
      'ok',
      'ok',
      'unknown',
    ])

    const other = http.createServer()
    open.push(other)
    await new Promise<void>((resolve) => other.listen(Number(new URL(test.publicUrl).port), '127.0.0.1', resolve))
    const taken = (await examine()).findings.find(({ check }) => check === 'public-port')!
    expect(taken.grade).toBe('fault')
    if (process.platform === 'linux') expect(taken.text).toContain(`(process ${process.pid})`)
    other.close()

    chmodSync(test.dataFolder, 0o755)
    const wide = await examine()
    expect([wide.gradeOf('permissions'), wide.exit]).toEqual(['fault', 1])
    chmodSync(test.dataFolder, 0o700)
    rmSync(`${test.dataFolder}/secret`)
    expect((await examine()).gradeOf('secret')).toBe('fault')
  })

  it('without a folder is told what to do, and none is made', async () => {
    const found = await examine({ FIRMHAND_DATA: `${test.folder}/nowhere` })
    expect([found.exit, found.gradeOf('data-folder')]).toEqual([1, 'fault'])
    const people = await cli(['doctor'], {
      FIRMHAND_DATA: `${test.folder}/nowhere`,
      FIRMHAND_PUBLIC_LISTEN: '127.0.0.1:0',
    })
    expect(people.out).toMatch(/FAULT {6}data-folder {9}There is no folder .*\n +Run "firmhand init"/)
    expect(people.exit).toBe(1)
  })
})
