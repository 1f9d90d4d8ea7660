// Something else lies in the place of a stored package, or beside it. The server starts, says so, and serves all the rest.
import { execFileSync } from 'node:child_process'
import { existsSync, mkdirSync, renameSync, rmSync, symlinkSync, writeFileSync } from 'node:fs'
import path from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'

let test: TestApp
let file: string
let packageId: string
let url: string
const bytes = Buffer.from('firmware of the tests')
beforeAll(async () => {
  test = await startTestApp()
  const prepared = await prepare(test, { bytes })
  packageId = prepared.packageId
  file = path.join(test.dataFolder, 'packages', prepared.sha256.slice(0, 2), prepared.sha256)
  url = (await test.call('POST', '/links', { package: packageId, kind: 'copy' })).body.url
})
afterAll(() => test.stop())

/** By a connection of its own: one that was used is reset when damage is found. */
const get = () => fetch(url, { headers: { connection: 'close' } })

const restored = async () => {
  rmSync(file, { recursive: true, force: true })
  renameSync(`${file}.aside`, file)
  await scrubbed()
}
const scrubbed = async () => {
  await test.call('POST', '/packages/scrub', {})
  return until(
    async () => (await test.call('GET', '/packages/scrub')).body,
    (body) => JSON.stringify(body).includes('"endedAt":"'),
  )
}

describe.each([
  ['a pipe', (at: string) => execFileSync('mkfifo', [at])],
  ['a folder', (at: string) => mkdirSync(at)],
  ['a link to a device without end', (at: string) => symlinkSync('/dev/zero', at)],
])('%s in the place of a package', (_, put) => {
  it('is no package: nothing is served, nothing waits for it, and the rest goes on', async () => {
    renameSync(file, `${file}.aside`)
    put(file)
    await test.restart()
    // More than the pool of threads has (libuv: 4): one that waits would hold up every file.
    const tries = await Promise.all(
      Array.from({ length: 6 }, () =>
        get()
          .then((answer) => answer.arrayBuffer())
          .catch(() => null),
      ),
    )
    expect(tries.every((body) => body === null || body.byteLength === 0)).toBe(true)
    await scrubbed()
    expect((await get()).status).toBe(503)
    const other = Buffer.from(`another package ${Math.random()}`)
    const sent = await test.call('POST', `/packages?model=sill-cam&version=${Date.now()}&fileName=o.bin`, other)
    expect(sent.status).toBe(201)
    await restored()
    expect(await (await get()).text()).toBe(bytes.toString())
  })
})

it('what is no package is left where it lies, and hinders no start', async () => {
  const packages = path.join(test.dataFolder, 'packages')
  const odd = ['lost+found/x', 'notes.txt', 'ab/readme.txt', `ab/${'a'.repeat(64)}/deep`]
  for (const name of odd) {
    mkdirSync(path.dirname(path.join(packages, name)), { recursive: true })
    writeFileSync(path.join(packages, name), 'theirs')
  }
  const left = path.join(packages, 'ab', 'b'.repeat(64))
  writeFileSync(left, 'of an upload that was cut')
  mkdirSync(path.join(test.dataFolder, 'incoming', 'folder', 'deep'), { recursive: true })
  await test.restart()
  for (const name of odd) expect(existsSync(path.join(packages, name))).toBe(true)
  expect(existsSync(left)).toBe(false)
  expect(await (await get()).text()).toBe(bytes.toString())
})
