// What every command owes its caller, whatever it does: help, exit codes, one JSON value, a clear sentence.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import net from 'node:net'
import os from 'node:os'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { cli, launch } from './run.js'

let folder: string
let closedUrl: string
beforeAll(async () => {
  folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-usage-'))
  // An address at which nobody listens: a port that was free a moment ago.
  closedUrl = await new Promise((resolve) => {
    const probe = net.createServer().listen(0, '127.0.0.1', () => {
      const { port } = probe.address() as net.AddressInfo
      probe.close(() => resolve(`http://127.0.0.1:${port}`))
    })
  })
})
afterAll(() => rmSync(folder, { recursive: true, force: true }))

/** Every verb, with arguments that are enough for it to ask the server. */
const ASKING = [
  'key add --name x --role operator',
  'key list',
  'key revoke k_1',
  'model list',
  'model show m',
  'package list',
  'package show p_1',
  'package release p_1',
  'package withdraw p_1 --reason x',
  'unit list',
  'unit export units.csv',
  'unit show u_1',
  'unit set u_1 --notes x',
  'task issue --unit u_1 --package p_1',
  'task list',
  'task show t_1',
  'task watch t_1',
  'task cancel t_1 --reason x',
  'task attest t_1 --state failed --reason no-life --note x',
  'task sheet t_1',
  'task report t_1 --by x --version 1',
  'link add --package p_1',
  'link list',
  'link revoke l_1',
  'command show t_1',
  'command sent t_1',
  'checkin add u_1 --version 1',
  'audit export',
  'audit head',
  'hold show',
  'hold set --reason x',
  'hold release --acknowledge 1,1,0 --note x',
  'labels erase u_1',
  'scrub',
]
const ALONE = [
  'serve',
  'init',
  'demo',
  'doctor',
  'model add FILE',
  'model check FILE',
  'package add FILE',
  'unit import FILE',
  'checkin import FILE',
  'audit verify FILE',
  'backup',
  'restore',
]

describe('help', () => {
  it('names every command and verb', async () => {
    const { exit, out, err } = await cli(['--help'])
    expect({ exit, err }).toEqual({ exit: 0, err: '' })
    for (const words of [...ASKING, ...ALONE]) {
      const [command, verb] = words.split(' ')
      const line = out.split('\n').find((text) => new RegExp(`^ +${command}( |$)`).test(text))
      expect(line, words).toBeDefined()
      if (verb !== undefined) expect(line, words).toMatch(new RegExp(`[ |]${verb}\\b`))
    }
    expect(out).not.toMatch(/campaign/) // What is not there yet is not announced.
  })

  it.each([...ASKING, ...ALONE])('is there for: %s', async (words) => {
    const [command, verb] = words.split(' ')
    const path = verb === undefined ? [command!] : [command!, verb]
    const { exit, out } = await cli([...path, '--help'])
    expect(exit).toBe(0)
    expect(out).toContain(`Usage: firmhand ${path.join(' ')}`)
    // Each option says what it is for: no line ends with the option's own name.
    for (const line of out.split('\n'))
      if (/^ {2}--\S+/.test(line)) expect(line).toMatch(/^ {2}--\S+( <\S+>)?(\s{2,}\S|$)/)
    expect((await cli([...path, '--help', '--json'])).json().help).toContain('Usage:')
  })
})

describe('a server that is not there', () => {
  it.each(ASKING)('is named, exit 1, with one JSON value if asked for: %s', async (words) => {
    const env = { FIRMHAND_URL: closedUrl, FIRMHAND_KEY: 'fmk-x' }
    const plain = await cli(words.split(' '), env)
    expect(plain).toMatchObject({ exit: 1, out: '' })
    expect(plain.err).toMatch(
      /^(?:caution: .+\n)*firmhand: No answer from http:\S+ \(.+\)\. Is the server running, and FIRMHAND_URL right\?\n$/,
    )
    const json = await cli([...words.split(' '), '--json'], env)
    expect(json.exit).toBe(1)
    expect(json.json().error).toMatchObject({ code: 'server-unreachable' })
  })
})

describe('cautions before tasks are issued', () => {
  const issue = (method: string) =>
    cli(['task', 'issue', '--unit', 'u_1', '--package', 'p_1', '--method', method], { FIRMHAND_URL: closedUrl })

  it('are shown for every method; polarity and fuse where there is wiring, and only there', async () => {
    for (const method of ['air', 'cable', 'card', 'hotspot']) {
      const { err } = await issue(method)
      expect(err).toMatch(/caution: .*not while the vehicle is in use/)
      expect(err).toMatch(/caution: .*local rules/i)
      expect(/polarity/.test(err), method).toBe(method === 'cable')
    }
  })
})

describe('wrong usage', () => {
  it.each([
    ['', 'Name a command'],
    ['task', 'Name a command'],
    ['tsak list', "unknown command 'tsak'"],
    ['task burn', "unknown command 'burn'"],
    ['task list --colour', "unknown option '--colour'"],
    ['task list --state done', "argument 'done' is invalid"],
    ['task show', "missing required argument 'TASK'"],
    ['task issue --package p_1', '--unit'],
    ['task issue --package p_1 --unit a --group b', '--unit'],
    ['task sheet', '--group'],
    ['task sheet t_1 --group a', '--group'],
    ['task report t_1', '--by'],
    ['task report t_1 --by x --again 2', '--again-at'],
    ['task report t_1 --by x --checks lights', 'records'],
    ['link add', '--package'],
    ['key add --name x --role boss', "argument 'boss' is invalid"],
    ['key add --name', 'argument missing'],
    ['package add f.bin --model m', "'--version <VERSION>' not specified"],
    ['audit verify f.jsonl --head 12', 'SEQ:HASH'],
    ['audit export --format csv', '--json'],
    ['unit list extra', 'too many arguments'],
  ])('exits 2 and says what is wrong: firmhand %s', async (words, named) => {
    const args = words.split(' ').filter((word) => word !== '')
    const json = await cli([...args, '--json'], { FIRMHAND_URL: closedUrl })
    expect(json.exit).toBe(2)
    expect(json.json().error).toMatchObject({ code: 'usage', detail: expect.stringContaining(named) })
    if (words.startsWith('audit export')) return // Wrong together with --json only.
    const plain = await cli(args, { FIRMHAND_URL: closedUrl })
    expect(plain).toMatchObject({ exit: 2, out: '' })
    expect(plain.err).toMatch(/--help|Usage:/)
  })

  it('of the address or the key is a wrong setting', async () => {
    const wrong: Record<string, string>[] = [
      { FIRMHAND_URL: 'office' },
      { FIRMHAND_URL: 'ftp://x' },
      { FIRMHAND_KEY: 'a b' },
    ]
    for (const env of wrong) {
      const said = await cli(['unit', 'list', '--json'], env)
      expect(said.exit).toBe(2)
      expect(said.json().error).toMatchObject({
        code: 'settings-wrong',
        errors: [{ pointer: `/${Object.keys(env)[0]}` }],
      })
    }
  })
})

describe('files', () => {
  it.each(['model check', 'model add', 'audit verify'])('that are not there are named: %s', async (words) => {
    const said = await cli([...words.split(' '), path.join(folder, 'nosuch'), '--json'])
    expect(said.exit).toBe(1)
    expect(said.json().error.detail).toContain('nosuch')
  })

  it('that hold a profile are checked without a server, every fault named', async () => {
    const file = path.join(folder, 'profile.json')
    writeFileSync(file, JSON.stringify({ id: 'x', title: 'X', command: { template: 'get {url}' } }))
    expect(await cli(['model', 'check', file])).toMatchObject({ exit: 0 })
    writeFileSync(file, JSON.stringify({ id: 'X!', title: 'X', command: { template: 'get' }, damagedAfter: 0 }))
    const said = await cli(['model', 'check', file, '--json'])
    expect(said.exit).toBe(1)
    expect(said.json().error.errors.map(({ pointer }: { pointer: string }) => pointer)).toEqual([
      '/id',
      '/damagedAfter',
    ])
  })
})

describe('the program as people start it', () => {
  it('ends without a word when its reader stops reading', async () => {
    const child = launch(['--help'])
    child.process.stdout!.destroy()
    expect(await child.ended).toMatchObject({ exit: 0, signal: null })
    expect(child.err()).toBe('')
  })

  it('gives the exit code to the shell', async () => {
    const [wrong, away] = [launch(['tsak']), launch(['unit', 'list', '--json'], { FIRMHAND_URL: closedUrl })]
    expect(await wrong.ended).toMatchObject({ exit: 2 })
    expect(await away.ended).toMatchObject({ exit: 1 })
    expect(JSON.parse(away.out()).error.code).toBe('server-unreachable')
  })
})
