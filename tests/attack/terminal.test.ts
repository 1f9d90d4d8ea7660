// What others wrote comes out at somebody's terminal. It must not be obeyed there: controls of ECMA-48 (C0 and C1), and the
// signs by which a line shows as another one (Unicode UAX #9).
import { spawn } from 'node:child_process'
import { once } from 'node:events'
import net from 'node:net'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { printable, printableInLine } from '../../src/cli/printable.js'
import { cli, ROOT, shellOf } from '../cli/run.js'
import { prepare, startTestApp, type TestApp, testImei } from '../support/app.js'

const ESC = '\u001b'
const CSI = '\u009b'
const TURN = '\u202e'
const OBEYED = /[\0-\u0008\u000b-\u001f\u007f-\u009f\u202a-\u202e\u2066-\u2069]/

let test: TestApp
let imei: string
let taskId: string
beforeAll(async () => {
  test = await startTestApp()
  const prepared = await prepare(test, { bytes: Buffer.from('firmware of the tests') })
  imei = prepared.imeis[0]!
  const { tasks } = (await test.call('POST', '/tasks', { unit: imei, package: prepared.packageId })).body
  taskId = tasks[0].id
  const { port, pathname } = new URL(tasks[0].link.url)
  const socket = net.connect(Number(port), '127.0.0.1')
  // obs-text (RFC 9110 §5.5): bytes from 0x80 on may stand in a field.
  socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\nUser-Agent: a`)
  socket.write(Buffer.from([0x9b]))
  socket.write('2Jb\r\nConnection: close\r\n\r\n')
  await once(socket.resume(), 'close')
  await test.call('POST', `/tasks/${taskId}/attest`, { state: 'fetched', note: `one${ESC}[2J${CSI}2J${TURN}\r\ntwo` })
})
afterAll(() => test.stop())

describe('a terminal obeys nothing that', () => {
  it.each([
    ['notes and user agents hold', () => ['unit', 'history', imei]],
    ['a task holds', () => ['task', 'show', taskId]],
    ['names of keys hold', () => ['key', 'list']],
    ['groups of units hold', () => ['unit', 'list']],
  ])('%s', async (_, args) => {
    await test.call('POST', '/keys', { name: `k${ESC}[31m${CSI}0m`, role: 'auditor' })
    await test.call('PATCH', `/units/${imei}`, { groups: [`g${ESC}]0;x${TURN}`], notes: `${ESC}c` })
    const said = await cli(args(), shellOf(test))
    expect(said.exit).toBe(0)
    expect(said.out + said.err).not.toMatch(OBEYED)
    expect(said.out).not.toBe('')
  })

  it('a list that was refused holds', async () => {
    const { writeFileSync } = await import('node:fs')
    const file = path.join(test.folder, 'list.csv')
    writeFileSync(file, `imei,model,notes\n${testImei(5)},no${ESC}[2J${CSI}2J${TURN}model,x\n`)
    const said = await cli(['unit', 'import', file], shellOf(test))
    expect(said.exit).toBe(1)
    expect(said.err).toContain('model')
    expect(said.out + said.err).not.toMatch(OBEYED)
  })

  it('a problem holds that repeats what was asked for', async () => {
    const said = await cli(['task', 'show', `t_${ESC}[2J`], shellOf(test))
    expect(said.exit).not.toBe(0)
    expect(said.out + said.err).not.toMatch(OBEYED)
  })
})

it('a row of a table stays one row', async () => {
  const said = await cli(['unit', 'history', imei], shellOf(test))
  expect(said.out.split('\n').some((line) => /^two/.test(line))).toBe(false)
})

it('scripts get every sign: nothing is taken out of JSON', async () => {
  const { items } = { items: (await cli(['unit', 'history', imei, '--json'], shellOf(test))).json() }
  expect(JSON.stringify(items)).toContain('\u009b'.normalize())
})

it.each([
  ['text', 'Grüße aus Łódź, 温度\tok\n'],
  ['signs outside of the basic plane', '🚐 🏁'],
])('plain %s stays as it is', (_, text) => {
  expect(printable(text)).toBe(text)
})

it('breaks of all kinds are none in a line', () => {
  expect(printableInLine('a\nb\u2028c\td')).toBe('a b c d')
  expect(printableInLine('a\rb')).toBe('a\ufffdb')
})

it('a pipe gets a list to the byte, a terminal only what it shows', async () => {
  const env = { ...process.env, ...shellOf(test) }
  const program = ['src/launch.mjs', 'unit', 'export']
  expect(await outputOf(process.execPath, program, env)).toContain(ESC)
  const line = `${process.execPath} ${program.join(' ')}`
  const shown = await outputOf('script', ['-qec', line, '/dev/null'], env)
  if (shown === null) return // `script` (util-linux) makes the terminal; not every machine has it.
  expect(shown).toContain('imei')
  expect(shown).not.toContain(ESC)
})

/** Not in one go: the server that is asked runs in this process. null = there is no such program. */
function outputOf(command: string, args: string[], env: NodeJS.ProcessEnv): Promise<string | null> {
  return new Promise((resolve) => {
    const child = spawn(command, args, { cwd: ROOT, env, stdio: ['ignore', 'pipe', 'ignore'] })
    let out = ''
    child.stdout.setEncoding('utf8').on('data', (text) => {
      out += text
    })
    child.once('error', () => resolve(null))
    child.once('close', () => resolve(out))
  })
}
