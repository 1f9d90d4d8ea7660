// A stop that lets downloads end, with the server as a process of its own and curl as the unit.
import { execFile } from 'node:child_process'
import { createHash, randomBytes } from 'node:crypto'
import { once } from 'node:events'
import { existsSync, readFileSync, writeFileSync } from 'node:fs'
import http from 'node:http'
import net from 'node:net'
import path from 'node:path'
import { promisify } from 'node:util'
import { afterEach, describe, expect, it } from 'vitest'
import { testImei, testProfile, until } from '../support/app.js'
import { type ServedApp, serveApp } from '../support/serve.js'

const running: ServedApp[] = []
const serve = async (graceSeconds: string): Promise<ServedApp> => {
  const served = await serveApp({ settings: { FIRMHAND_STOP_GRACE_SECONDS: graceSeconds } })
  running.push(served)
  return served
}
afterEach(async () => {
  for (const served of running.splice(0)) await served.remove()
})

/** What a slow unit has in some 2 s, and more than all buffers on the way hold (tcp_wmem 4 MiB, tcp_rmem 6 MiB). */
const bytes = randomBytes(12_000_000)
const many = randomBytes(40_000_000)
const sha256 = createHash('sha256').update(bytes).digest('hex')

async function issueOne(served: ServedApp, bytes: Uint8Array): Promise<{ id: string; url: string }> {
  await served.call('PUT', '/models/sill-cam', testProfile())
  const pack = (await served.call('POST', '/packages?model=sill-cam&version=2.0.0&fileName=sill.bin', bytes)).body
  await served.call('POST', `/packages/${pack.id}/release`, {})
  await served.call('POST', '/units', { imei: testImei(1), model: 'sill-cam' })
  const issued = await served.call('POST', '/tasks', { unit: testImei(1), package: pack.id })
  const [task] = issued.body.tasks
  return { id: task.id, url: task.link.url }
}

/** curl as a slow unit: some 2 s for the whole file. */
function slowCurl(served: ServedApp, url: string) {
  const file = path.join(served.folder, 'got.bin')
  const done = promisify(execFile)('curl', ['-sS', '--limit-rate', '6M', '-o', file, url]).then(
    () => 0,
    (error: { code: number }) => error.code,
  )
  return { file, done, sha256: () => createHash('sha256').update(readFileSync(file)).digest('hex') }
}

/** An upload that takes some 3 s; gives its status. */
async function slowUpload(served: ServedApp): Promise<string> {
  const file = path.join(served.folder, 'upload.bin')
  writeFileSync(file, randomBytes(6_000_000))
  const url = `${served.officeUrl}/api/v1/packages?model=sill-cam&version=3.0.0&fileName=sill.bin`
  const fields = ['-H', `Authorization: Bearer ${served.key}`, '-H', 'Content-Type: application/octet-stream']
  const args = ['-sS', '--limit-rate', '2M', '-o', '/dev/null', '-w', '%{http_code}', '--data-binary', `@${file}`]
  return (await promisify(execFile)('curl', [...args, ...fields, url])).stdout
}

const sizeOf = (file: string): number => (existsSync(file) ? readFileSync(file).length : 0)

/** A download of which only the beginning is read. */
async function stalled(url: string): Promise<net.Socket> {
  const { port, pathname } = new URL(url)
  const socket = net.connect(Number(port), '127.0.0.1').on('error', () => undefined)
  socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\n\r\n`)
  await once(socket, 'readable')
  return socket
}

/** Resolves with what ended the socket: our read side says FIN or an error. */
const endOf = (socket: net.Socket): Promise<string> =>
  new Promise((resolve) => {
    socket.on('error', (error: NodeJS.ErrnoException) => resolve(error.code ?? 'error'))
    socket.on('end', () => resolve('fin'))
    socket.resume()
  })

/** A write behind a tidy end is taken by the kernel; behind a reset it fails at once, whatever Node shows of the reset. */
const wasReset = (socket: net.Socket): Promise<boolean> =>
  new Promise((resolve) => {
    socket.write('x', (error) => resolve(error !== null && error !== undefined))
  })

const refused = (port: number): Promise<string> =>
  new Promise((resolve) => {
    const probe = net.connect(port, '127.0.0.1')
    probe.on('connect', () => resolve('connected'))
    probe.on('error', (error: NodeJS.ErrnoException) => resolve(error.code ?? 'error'))
  })

const exited = async (served: ServedApp): Promise<number | null> => {
  if (served.process.exitCode === null) await once(served.process, 'exit')
  return served.process.exitCode
}

describe('SIGTERM while a unit downloads', () => {
  it('lets it have the whole file, takes nobody new, says that it is not ready, and leaves a closed database', async () => {
    const served = await serve('30')
    const task = await issueOne(served, bytes)
    const idle = net.connect(served.publicPort, '127.0.0.1')
    const used = net.connect(served.publicPort, '127.0.0.1')
    await once(idle, 'connect')
    used.write('GET /d/2222222222222222/x HTTP/1.1\r\nHost: x\r\n\r\n')
    await once(used, 'data')
    const events = http.get(`${served.officeUrl}/api/v1/events`, { headers: { authorization: `Bearer ${served.key}` } })
    const [stream] = (await once(events, 'response')) as [http.IncomingMessage]
    const streamEnded = once(stream.resume(), 'end')
    const upload = slowUpload(served)
    const unit = slowCurl(served, task.url)
    await until(
      async () => sizeOf(unit.file),
      (size) => size > 0,
    )

    const idleEnd = Promise.all([endOf(idle), endOf(used)])
    served.process.kill('SIGTERM')
    expect(await idleEnd).toEqual(['fin', 'fin'])
    await streamEnded
    expect(await refused(served.publicPort)).toBe('ECONNREFUSED')
    const ready = await fetch(`${served.officeUrl}/readyz`)
    expect(ready.status).toBe(503)
    expect(await ready.json()).toMatchObject({ code: 'not-ready', reasons: [{ code: 'stopping' }] })
    expect((await served.call('GET', `/tasks/${task.id}`)).status).toBe(200)
    const change = await served.call('POST', '/units', { imei: testImei(2), model: 'sill-cam' })
    expect([change.status, change.body.code]).toEqual([503, 'not-ready'])
    expect(served.process.exitCode).toBeNull()

    expect(await unit.done).toBe(0)
    expect(unit.sha256()).toBe(sha256)
    expect(await upload).toBe('201') // What was under way on the office side ends too.
    expect(await exited(served)).toBe(0)
    expect(served.output()).toMatch(/"running":1,.*running downloads may end/)
    expect(served.output()).toMatch(/"ended":1,.*"cut":0,.*the wait for downloads is over/)
    // sqlite.org/wal.html: the log is taken in and removed when the last connection closes.
    expect(existsSync(path.join(served.dataFolder, 'firmhand.db-wal'))).toBe(false)
    expect(existsSync(path.join(served.dataFolder, 'running.json'))).toBe(false)

    await served.start() // What the far end acknowledged in the last moments is in the record.
    const after = (await served.call('GET', `/tasks/${task.id}`)).body
    expect(after.state).toBe('fetched')
    expect(after.moves.at(-1).grade).toBe('acknowledged')
  })

  it('a second signal ends the wait, and the ledger claims no more than the file of the unit shows', async () => {
    const served = await serve('600')
    const task = await issueOne(served, many)
    const unit = slowCurl(served, task.url)
    await until(
      async () => sizeOf(unit.file),
      (size) => size > 1_000_000,
    )
    served.process.kill('SIGTERM')
    await until(
      async () => served.output(),
      (text) => text.includes('may end'),
    )
    served.process.kill('SIGTERM') // One Ctrl-C that comes twice is no second one.
    await new Promise((resolve) => setTimeout(resolve, 1200))
    expect(served.process.exitCode).toBeNull()
    served.process.kill('SIGINT')
    expect(await exited(served)).toBe(0)
    expect(await unit.done).not.toBe(0)
    expect(served.output()).toMatch(/"ended":0,.*"cut":1,/)
    await served.start()
    const { ledger, state } = (await served.call('GET', `/tasks/${task.id}`)).body
    expect(state).toBe('queued')
    const [, last] = ledger.acknowledged.at(-1) ?? [0, -1]
    // curl may have got more than it had written when it was cut off, and never less than what is claimed was acknowledged
    // by its machine: its socket's buffer is what lies between, 6 MiB at most (tcp_rmem).
    expect(last + 1).toBeLessThanOrEqual(sizeOf(unit.file) + 6 * 1024 * 1024)
    expect(last + 1).toBeLessThan(many.length)
  })

  it('a reader that stands still is reset when the time is over, and not before', async () => {
    const served = await serve('1')
    const task = await issueOne(served, many)
    const reader = await stalled(task.url)
    const startMs = performance.now()
    served.process.kill('SIGTERM')
    expect(await exited(served)).toBe(0)
    expect(performance.now() - startMs).toBeGreaterThan(900)
    expect(await wasReset(reader)).toBe(true)
  })
})
