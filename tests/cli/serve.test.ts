// init, serve and demo as real processes on real folders and ports.
import { mkdtempSync, readdirSync, rmSync, writeFileSync } from 'node:fs'
import net from 'node:net'
import os from 'node:os'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { readScenario } from '../../src/camera/scenario.js'
import { demoData } from '../../src/cli/demo-fleet.js'
import { until as untilWithin } from '../support/app.js'
import { type Child, cli, launch } from './run.js'

/** Processes that start and build on a busy machine: no speed is claimed here, only that it comes to be. */
const LIMIT_MS = 100_000
const until = <T>(look: () => Promise<T>, isSo: (value: T) => boolean): Promise<T> => untilWithin(look, isSo, LIMIT_MS)

let folder: string
beforeAll(() => {
  folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-serve-'))
})
afterAll(() => rmSync(folder, { recursive: true, force: true }))

const listening = (port = 0): Promise<net.Server> =>
  new Promise((resolve, reject) => {
    const server = net.createServer()
    server.once('error', reject).listen(port, () => resolve(server))
  })
const portOf = (server: net.Server): number => (server.address() as net.AddressInfo).port
async function freePorts(count: number): Promise<number[]> {
  const servers = await Promise.all(Array.from({ length: count }, () => listening()))
  const ports = servers.map(portOf)
  for (const server of servers) server.close()
  return ports
}

const settings = (name: string, ports: number[]): Record<string, string> => ({
  FIRMHAND_DATA: path.join(folder, name),
  FIRMHAND_PUBLIC_LISTEN: `127.0.0.1:${ports[0]}`,
  FIRMHAND_OFFICE_LISTEN: `127.0.0.1:${ports[1]}`,
})
const isUp = (port: number) =>
  fetch(`http://127.0.0.1:${port}/readyz`).then(
    ({ ok }) => ok,
    () => false,
  )
const stop = async (child: Child, signal: NodeJS.Signals = 'SIGTERM') => {
  child.process.kill(signal)
  return child.ended
}

describe('init', () => {
  it('prints the first key once, alone on the last line, and only a further one if asked', async () => {
    const env = { FIRMHAND_DATA: path.join(folder, 'init'), FIRMHAND_PUBLIC_URL: 'http://fw.example.com/' }
    const first = await cli(['init'], env)
    expect(first.exit).toBe(0)
    const secret = first.out.trimEnd().split('\n').at(-1)!
    expect(secret).toMatch(/^fmk-\w+$/)

    const again = await cli(['init', '--json'], env)
    expect(again.exit).toBe(1)
    expect(again.json().error.code).toBe('already-initialised')
    expect(again.out + again.err).not.toContain('fmk-')

    const more = await cli(['init', '--new-key', '--json'], env)
    expect(more.exit).toBe(0)
    expect(more.json()).toMatchObject({
      dataFolder: env.FIRMHAND_DATA,
      publicUrl: 'http://fw.example.com',
      officeUrl: 'http://127.0.0.1:8081',
      key: { name: 'integrator 2', role: 'integrator', secret: expect.stringMatching(/^fmk-/) },
    })
    expect(more.json().key.secret).not.toBe(secret)
  })
})

describe('serve', { timeout: LIMIT_MS }, () => {
  it('names every wrong setting and does not start', async () => {
    const file = path.join(folder, 'settings.json')
    writeFileSync(file, JSON.stringify({ FIRMHAND_TASK_DEADLINE_HOURS: 0, FIRMHAND_COLOUR: 'red' }))
    const said = await cli(['serve', '--config', file, '--json'], { FIRMHAND_PUBLIC_LISTEN: '8080' })
    expect(said.exit).toBe(2)
    const { code, errors } = said.json().error
    expect(code).toBe('settings-wrong')
    expect(errors.map(({ pointer }: { pointer: string }) => pointer).sort()).toEqual([
      '/FIRMHAND_COLOUR',
      '/FIRMHAND_PUBLIC_LISTEN',
      '/FIRMHAND_TASK_DEADLINE_HOURS',
    ])
    writeFileSync(file, '[]')
    expect(await cli(['serve', '--config', file])).toMatchObject({
      exit: 2,
      err: expect.stringContaining('settings.json'),
    })
    expect(await cli(['serve', '--config', `${file}.nosuch`])).toMatchObject({ exit: 2 })
  })

  it('runs with a settings file, keeps a second server off its folder and its ports, stops on SIGTERM', async () => {
    const ports = await freePorts(4)
    const file = path.join(folder, 'serve.json')
    writeFileSync(file, JSON.stringify(settings('serve', ports)))
    const server = launch(['serve', '--config', file])
    await until(
      () => isUp(ports[1]!),
      (up) => up,
    )
    const [sameFolder, samePort] = [
      launch(['serve', '--json'], settings('serve', ports.slice(2))),
      launch(['serve', '--json'], settings('other', [ports[0]!, ports[3]!])),
    ]
    expect(await sameFolder.ended).toMatchObject({ exit: 1 })
    expect(JSON.parse(sameFolder.out()).error.detail).toContain('Another server runs on')
    expect(await samePort.ended).toMatchObject({ exit: 1 })
    expect(JSON.parse(samePort.out()).error.detail).toContain('set FIRMHAND_PUBLIC_LISTEN')
    expect(await isUp(ports[1]!)).toBe(true) // The first one was not disturbed.
    expect(await stop(server)).toEqual({ exit: 0, signal: null })
    expect(server.out()).toContain('there is no key yet')
    expect(server.err()).toBe('') // Words for people are for a terminal.
  })

  it('stops in order on Ctrl-C, also when it comes twice', async () => {
    const ports = await freePorts(2)
    const server = launch(['serve'], settings('twice', ports))
    await until(
      () => isUp(ports[1]!),
      (up) => up,
    )
    server.process.kill('SIGINT')
    expect(await stop(server, 'SIGINT')).toEqual({ exit: 0, signal: null })
    expect(await isUp(ports[1]!)).toBe(false)
  })
})

const demoFolders = () => readdirSync(folder).filter((name) => name.startsWith('firmhand-demo-'))

describe('demo', { timeout: LIMIT_MS }, () => {
  it('takes other ports where its own are taken, plays the scenario, and ends with one line', async () => {
    const taken = await listening(8080).catch(() => null) // Taken by us, or by somebody else: both will do.
    const demo = launch(['demo', '--once'], { TMPDIR: folder })
    const ended = await demo.ended
    taken?.close()
    expect(demo.err()).toBe('')
    expect(ended).toEqual({ exit: 0, signal: null })
    const { units } = await readScenario(path.join(await demoData(), 'scenario.json'))
    expect(demo.out().endsWith(`\ndemo: ${units.length} of ${units.length} units ended as expected\n`)).toBe(true)
    expect(
      demo
        .out()
        .split('\n')
        .filter((line) => line.length > 80), // The narrowest terminal that people still open.
    ).toEqual([])
    expect(demo.out()).not.toContain('\r') // What moves is for a terminal.
    expect(demo.out()).not.toMatch(/^ {2}public side {2}\S+:8080 /m)
    expect(demoFolders()).toEqual([])
  })

  it('ends in order when it is interrupted while it starts, and in the middle', async () => {
    for (const stage of [() => demoFolders().length > 0, (demo: Child) => demo.out().includes('What happens')]) {
      const demo = launch(['demo', '--once'], { TMPDIR: folder })
      await until(
        async () => stage(demo),
        (reached) => reached,
      )
      demo.process.kill('SIGINT')
      expect(await stop(demo, 'SIGINT')).toEqual({ exit: 1, signal: null })
      expect(demo.out()).toMatch(/Stopped before the end\.\n$/)
      expect(demoFolders()).toEqual([])
    }
  })
})
