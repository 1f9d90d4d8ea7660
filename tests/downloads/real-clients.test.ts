// Programs that people really use, killed half way and started again: the file is whole and the ledger has all of it.
import { type ChildProcess, spawn, spawnSync } from 'node:child_process'
import { createHash, randomBytes } from 'node:crypto'
import { once } from 'node:events'
import { existsSync, mkdtempSync, readFileSync, rmSync, statSync } from 'node:fs'
import { tmpdir } from 'node:os'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { coversWhole, union } from '../../src/downloads/span.js'
import { type ByteServer, FILE_NAME, fileOf, pathOf, startByteServer } from './byte-server.js'

const SIZE = 64 * 1024 * 1024
const CUT_AT = 8 * 1024 * 1024

const CLIENTS = [
  {
    program: 'curl',
    token: 'c'.repeat(16),
    first: (url: string, file: string) => ['-s', '--limit-rate', '30M', '-o', file, url],
    again: (url: string, file: string) => ['-s', '-C', '-', '-o', file, url],
  },
  {
    program: 'wget',
    token: 'd'.repeat(16),
    first: (url: string, file: string) => ['-q', '--limit-rate=30m', '-O', file, url],
    again: (url: string, file: string) => ['-q', '-c', '-O', file, url],
  },
]
const isThere = (program: string): boolean => spawnSync(program, ['--version']).status === 0

describe.each(CLIENTS)('$program', ({ program, token, first, again }) => {
  let server: ByteServer
  let folder: string
  beforeAll(async () => {
    server = await startByteServer()
    folder = mkdtempSync(path.join(tmpdir(), 'firmhand-client-'))
  })
  afterAll(async () => {
    await server.stop()
    rmSync(folder, { recursive: true })
  })

  const run = (args: string[]): ChildProcess =>
    spawn(program, args, { stdio: 'ignore', env: { ...process.env, no_proxy: '*' } })

  it.skipIf(!isThere(program))(`goes on after a kill, and every byte is accounted for (needs ${program})`, async () => {
    const stored = fileOf(randomBytes(SIZE))
    server.addLink(token, stored)
    const url = `http://127.0.0.1:${server.port}${pathOf(token)}`
    const file = path.join(folder, FILE_NAME)

    const killed = run(first(url, file))
    while (!existsSync(file) || statSync(file).size < CUT_AT) await new Promise((resolve) => setTimeout(resolve, 5))
    killed.kill('SIGKILL')
    await once(killed, 'exit')
    const heldBytes = statSync(file).size
    expect(heldBytes).toBeLessThan(SIZE)
    await server.until(token, ({ tries }) => [...tries.values()].some(({ end }) => end === 'reset' || end === 'fin'))

    const [code] = await once(run(again(url, file)), 'exit')
    expect(code).toBe(0)
    expect(createHash('sha256').update(readFileSync(file)).digest('hex')).toBe(stored.sha256)
    const recorded = await server.until(token, ({ acknowledged, inferred }) =>
      coversWhole(union(acknowledged, inferred), SIZE),
    )
    expect([...recorded.tries.values()]).toMatchObject([{ status: 200 }, { status: 206, span: [heldBytes, SIZE - 1] }])
    // What the killed one had taken is not sent again, but for what lay in the kernels' buffers.
    expect(recorded.sentBytes - recorded.duplicateBytes).toBe(SIZE)
  })
})
