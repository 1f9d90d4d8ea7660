// kill -9 of the real server in the middle of downloads, uploads and check-ins at once. What was answered is there, what
// was not left nothing half done, and the ledger claims no byte that did not reach the client's socket.
import { createHash, randomBytes } from 'node:crypto'
import { once } from 'node:events'
import { readdirSync, readFileSync } from 'node:fs'
import net from 'node:net'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { testImei, testProfile, until } from '../support/app.js'
import { type ServedApp, serveApp } from '../support/serve.js'
import { covers, type Span, unite } from './spans.js'

const ROUNDS = 4
const FILE_BYTES = 24_000_000
const file = randomBytes(FILE_BYTES)
let served: ServedApp
let platformKey: string
let links: string[]
let tasks: string[]

beforeAll(async () => {
  served = await serveApp()
  await served.call('PUT', '/models/sill-cam', testProfile())
  const pack = (await served.call('POST', '/packages?model=sill-cam&version=2.0.0&fileName=sill.bin', file)).body
  await served.call('POST', `/packages/${pack.id}/release`, {})
  const imeis = Array.from({ length: ROUNDS + 5 }, (_, n) => testImei(n + 1))
  for (const imei of imeis) await served.call('POST', '/units', { imei, model: 'sill-cam' })
  const issued = await served.call('POST', '/tasks', { units: imeis.slice(0, ROUNDS), package: pack.id })
  tasks = issued.body.tasks.map((task: { id: string }) => task.id)
  links = issued.body.tasks.map((task: { link: { url: string } }) => task.link.url)
  platformKey = (await served.call('POST', '/keys', { name: 'platform', role: 'check-in' })).body.secret
})
afterAll(() => served.remove())

const sha256 = (bytes: Uint8Array) => createHash('sha256').update(bytes).digest('hex')

/**
 * What a client sends and the server does not read while it answers. At the end of the process the kernel then resets the
 * connection and throws its send queue away (RFC 2525 §2.17 describes it), in place of delivering it: a ledger that
 * claims bytes of that queue is found out. Blank lines, more than the server reads ahead.
 */
const UNREAD = '\r\n'.repeat(200_000)

/** Reads at about `bytesPerSecond` until the connection ends, and drains it: gives the body bytes that arrived, as a span. */
async function download(url: string, first: number, bytesPerSecond: number): Promise<Span | null> {
  const { port, pathname } = new URL(url)
  const socket = net.connect({ port: Number(port), host: '127.0.0.1' })
  socket.on('error', () => undefined)
  socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\nRange: bytes=${first}-\r\n\r\n${UNREAD}`)
  const parts: Buffer[] = []
  let isOver = false
  socket.on('data', (bytes) => {
    parts.push(bytes)
    if (isOver) return
    socket.pause()
    setTimeout(() => socket.resume(), (bytes.length / bytesPerSecond) * 1000)
  })
  void once(served.process, 'exit').then(() => {
    isOver = true // What is on its way is read at once.
    socket.resume()
  })
  await once(socket, 'close')
  const all = Buffer.concat(parts)
  const bodyAt = all.indexOf('\r\n\r\n') + 4
  if (bodyAt < 4) return null
  const body = all.subarray(bodyAt)
  expect(body.equals(file.subarray(first, first + body.length))).toBe(true)
  return body.length === 0 ? null : [first, first + body.length - 1]
}

interface Sent {
  version: string
  sha256: string
  answered: boolean
}

/** One upload after the other until the server is gone. */
async function uploadLoop(round: number, worker: number, sent: Sent[]): Promise<void> {
  for (let n = 0; ; n += 1) {
    const bytes = randomBytes(1000 + Math.floor(Math.random() * 400_000))
    const one = { version: `9.${round}.${worker * 1000 + n}`, sha256: sha256(bytes), answered: false }
    sent.push(one)
    try {
      const answer = await served.call('POST', `/packages?model=sill-cam&version=${one.version}&fileName=a.bin`, bytes)
      expect(answer.status).toBe(201)
      expect(answer.body.digests.sha256).toBe(one.sha256)
      one.answered = true
    } catch (error) {
      if (error instanceof TypeError) return // fetch: the connection broke.
      throw error
    }
  }
}

/** An upload that hangs in the middle. */
function hangingUpload(round: number): void {
  const socket = net.connect(served.officePort, '127.0.0.1').on('error', () => undefined)
  socket.write(
    `POST /api/v1/packages?model=sill-cam&version=8.${round}.0&fileName=a.bin HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${served.key}\r\nContent-Length: 5000000\r\n\r\n`,
  )
  socket.write(randomBytes(2_000_000))
  socket.resume()
}

interface Reported {
  id: string
  unit: string
  version: string
}

/** One batch of check-ins after the other until the server is gone; notes what was answered with accepted. */
async function reportLoop(name: string, accepted: Reported[]): Promise<void> {
  for (let n = 0; ; n += 1) {
    const items = Array.from({ length: 1 + (n % 20) }, (_, i) => ({
      id: `${name}-${n}-${i}`,
      unit: testImei(1 + ROUNDS + ((n + i) % 5)),
      version: `1.0.${n % 7}`,
    }))
    try {
      const response = await fetch(`${served.publicUrl}/in/check-ins`, {
        method: 'POST',
        headers: { authorization: `Bearer ${platformKey}`, 'content-type': 'application/json' },
        body: JSON.stringify(items),
      })
      const { results } = (await response.json()) as {
        results: { index: number; accepted: boolean; duplicate: boolean }[]
      }
      for (const result of results) if (result.accepted && !result.duplicate) accepted.push(items[result.index]!)
    } catch (error) {
      if (error instanceof TypeError) return
      throw error
    }
  }
}

describe('kill -9', () => {
  it('in the middle of everything, again and again, loses nothing answered and claims nothing that did not arrive', async () => {
    const uploads: Sent[] = []
    const reports: Reported[] = []
    let claimedBytes = 0
    for (let round = 0; round < ROUNDS; round += 1) {
      const running = [download(links[round]!, 0, 1_000_000), download(links[round]!, 12_000_000, 700_000)]
      const work = [
        uploadLoop(round, 1, uploads),
        uploadLoop(round, 2, uploads),
        reportLoop(`a${round}`, reports),
        reportLoop(`b${round}`, reports),
        reportLoop(`c${round}`, reports),
      ]
      hangingUpload(round)
      // Not before something is claimed, and then at any moment between two records of it.
      await until(
        async () => (await served.call('GET', `/tasks/${tasks[round]}`)).body.ledger.acknowledged.length,
        (spans) => spans > 0,
      )
      await new Promise((resolve) => setTimeout(resolve, Math.random() * 1200))
      await served.kill()
      const arrived = unite((await Promise.all(running)).filter((span) => span !== null))
      await Promise.all(work)
      await served.start()

      const task = (await served.call('GET', `/tasks/${tasks[round]}`)).body
      const acknowledged = task.ledger.acknowledged as Span[]
      for (const span of acknowledged) {
        expect(covers(arrived, span), `claimed ${span}, arrived ${JSON.stringify(arrived)}`).toBe(true)
        claimedBytes += span[1] - span[0] + 1
      }
      expectStore(uploads, reports)
    }
    // None of this was empty.
    expect(claimedBytes).toBeGreaterThan(0)
    expect(uploads.filter(({ answered }) => answered).length).toBeGreaterThan(ROUNDS * 2)
    expect(uploads.filter(({ answered }) => !answered).length).toBeGreaterThan(ROUNDS)
    expect(reports.length).toBeGreaterThan(ROUNDS * 20)

    const copy = await served.call('GET', '/audit?format=jsonl')
    const verified = await verifyExport(exportLines([Buffer.from(copy.body)]))
    expect(verified).toMatchObject({ ok: true, complete: true, fault: null })
    // A platform that got no answer sends again: what is there is a duplicate, and nothing is doubled.
    const { unit, version, id } = reports.at(-1)!
    const again = await fetch(`${served.publicUrl}/in/check-ins`, {
      method: 'POST',
      headers: { authorization: `Bearer ${platformKey}`, 'content-type': 'application/json' },
      body: JSON.stringify({ unit, version, id }),
    })
    expect(await again.json()).toMatchObject({ results: [{ accepted: true, duplicate: true }] })
  }, 120_000)
})

function expectStore(uploads: readonly Sent[], reports: readonly Reported[]): void {
  const db = new BetterSqlite(path.join(served.dataFolder, 'firmhand.db'), { readonly: true })
  try {
    expect(db.pragma('integrity_check', { simple: true })).toBe('ok')
    expect(db.pragma('foreign_key_check')).toEqual([])
    const rows = db.prepare('select version, sha256 from package').all() as { version: string; sha256: string }[]
    const kept = new Map(rows.map((row) => [row.version, row.sha256]))
    for (const sent of uploads) {
      if (sent.answered) expect(kept.get(sent.version), sent.version).toBe(sent.sha256)
      else expect([undefined, sent.sha256]).toContain(kept.get(sent.version)) // Whole or not at all.
    }
    expect([...kept.keys()].filter((version) => version.startsWith('8.'))).toEqual([])
    const blobs = (db.prepare('select sha256 from blob').all() as { sha256: string }[]).map((row) => row.sha256)
    const files = readdirSync(path.join(served.dataFolder, 'packages')).flatMap((folder) =>
      readdirSync(path.join(served.dataFolder, 'packages', folder)).map((name) => path.join(folder, name)),
    )
    expect(files.map((name) => path.basename(name)).sort()).toEqual(blobs.sort())
    for (const name of files) {
      expect(sha256(readFileSync(path.join(served.dataFolder, 'packages', name)))).toBe(path.basename(name))
    }
    expect(readdirSync(path.join(served.dataFolder, 'incoming'))).toEqual([])
    const checkins = db.prepare('select external_id from checkin').all() as { external_id: string }[]
    const known = new Set(checkins.map((row) => row.external_id))
    expect(reports.filter(({ id }) => !known.has(id))).toEqual([])
    const entries = db.prepare("select count(*) as count from audit where action = 'checkin.accepted'").get()
    expect(entries).toEqual({ count: checkins.length }) // Each with its entry in the log, none without.
  } finally {
    db.close()
  }
}
