// Everything at once, until the server is gone: uploads, issues, check-ins on both listeners, links, keys, exports, downloads.
// Each loop notes in the journal what was answered, and takes any answer that should not have come as a fault.
import { randomBytes } from 'node:crypto'
import net from 'node:net'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import type { Answer } from '../support/app.js'
import { testProfile } from '../support/app.js'
import { killClient } from './kill-clients.js'
import { expectStatus, type KillRun, pick, rankOf, send, sendOnce, sha256 } from './kill-journal.js'

/** Downloads at once: those that a kill cut go on, new ones come to them. */
const CLIENTS_MAX = 6
/** Slow ones keep the server's send buffers full, fast ones get to the end. */
const RATES_PER_MS = [300, 1500, 12_000]
/** New ones in each round, beside those: they end with the process. */
const WITHHOLDERS = 3
export const MODEL = 'sill-cam'

/**
 * A byte budget that no client here spends: what was on its way when a client left or the server was killed is sent once
 * more, and a slow machine spends the usual 2.5 files with it.
 */
export const profileOf = (title: number) => testProfile({ title: String(title), byteBudgetFactor: 1000 })

const pause = (ms: number) => new Promise((resolve) => setTimeout(resolve, ms))

/** Runs until `run.over`; resolves once every loop and every client has noticed. */
export async function load(run: KillRun): Promise<void> {
  const loops = [uploads, uploads, issues, issues, groups, platformReports, platformReports, officeReports]
  const slow = [links, keys, heads, exports, profiles]
  hangingUpload(run)
  await Promise.all([...[...loops, ...slow].map((one) => until(run, one)), downloads(run)])
}

async function until(run: KillRun, step: (run: KillRun) => Promise<unknown>): Promise<void> {
  while (!run.over) await step(run)
}

async function uploads(run: KillRun): Promise<void> {
  const { journal, random } = run
  const bytes = randomBytes(1 + Math.floor(random() * (random() < 0.1 ? 3_000_000 : 300_000)))
  const version = `9.0.${run.nextNumber()}`
  const place = `/packages?model=${MODEL}&version=${version}&fileName=a.bin`
  if (random() < 0.15) {
    journal.refusedUploads.add(version)
    const wrong = Buffer.from(sha256(randomBytes(8)), 'hex').toString('base64')
    const headers = { 'repr-digest': `sha-256=:${wrong}:` }
    const answer = await send(run, { method: 'POST', path: place, body: bytes, headers })
    if (answer) expectStatus(run, 'an upload with a wrong digest', answer, 422)
    return
  }
  const upload = { sha256: sha256(bytes), answered: false, released: false }
  journal.uploads.set(version, upload)
  const answer =
    bytes.length < 50_000
      ? await sendOnce(run, { path: place, body: bytes, idsOf: idOf })
      : await send(run, { method: 'POST', path: place, body: bytes })
  if (!answer || !expectStatus(run, 'an upload', answer, 201)) return
  if (answer.body.digests.sha256 !== upload.sha256) run.faults.push(`an upload got another digest: ${version}`)
  upload.answered = true
  const other = await send(run, { method: 'POST', path: place, body: randomBytes(100) })
  if (other) expectStatus(run, 'other bytes for a version', other, 409)
  const released = await send(run, { method: 'POST', path: `/packages/${answer.body.id}/release`, body: {} })
  if (released && expectStatus(run, 'a release', released, 200)) upload.released = true
}

const idOf = (body: Answer['body']): string[] => [body.id]
const taskIdsOf = (body: Answer['body']): string[] => body.tasks.map((task: { id: string }) => task.id)

/** An upload that hangs in the middle when the server is killed. */
function hangingUpload({ served }: KillRun): void {
  const socket = net.connect(served.officePort, '127.0.0.1').on('error', () => undefined)
  socket.write(
    `POST /api/v1/packages?model=${MODEL}&version=8.0.0&fileName=a.bin HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer ${served.key}\r\nContent-Length: 5000000\r\n\r\n`,
  )
  socket.write(randomBytes(1_000_000))
  socket.resume()
}

export async function newUnit(run: KillRun, group: string | null = null): Promise<string | null> {
  const serial = `KILL-${run.nextNumber()}`
  const body = { serial, model: MODEL, ...(group !== null && { groups: [group] }) }
  const answer = await send(run, { method: 'POST', path: '/units', body })
  if (!answer || !expectStatus(run, 'a unit', answer, 201)) return null
  run.journal.units.add(answer.body.id)
  return answer.body.id
}

function noteTask(run: KillRun, task: { id: string; unit: string; state: string }): void {
  const rank = Math.max(rankOf(task.state), run.journal.tasks.get(task.id)?.rank ?? 0)
  run.journal.tasks.set(task.id, { unit: task.unit, rank })
}

async function issues(run: KillRun): Promise<void> {
  const { journal, random, packages } = run
  const unit = await newUnit(run)
  if (unit === null) return
  const issued = await sendOnce(run, { path: '/tasks', body: { unit, package: packages.a }, idsOf: taskIdsOf })
  if (!issued) return
  const task = issued.body.tasks[0]
  noteTask(run, task)
  const dice = random()
  if (dice < 0.25) {
    const path = `/tasks/${task.id}/cancel`
    const answer = await send(run, { method: 'POST', path, body: { reason: 'of the test' } })
    if (!answer || !expectStatus(run, 'a cancel', answer, 200)) return
    noteTask(run, answer.body)
    journal.links.set(task.link.id, { url: task.link.url, revoked: true })
  } else if (dice < 0.5) {
    const body = { unit, package: packages.b, supersede: true }
    const answer = await sendOnce(run, { path: '/tasks', body, idsOf: taskIdsOf })
    if (!answer) return
    noteTask(run, { ...task, state: 'superseded' })
    noteTask(run, answer.body.tasks[0])
    journal.links.set(task.link.id, { url: task.link.url, revoked: true })
  } else if (dice < 0.75) {
    const item = { unit, version: '2.0.0', id: `target-${run.nextNumber()}`, observedAt: new Date().toISOString() }
    await report(run, [item], 'office')
  } else journal.links.set(task.link.id, { url: task.link.url, revoked: false })
}

async function groups(run: KillRun): Promise<void> {
  const { journal, packages } = run
  const group = `group ${run.nextNumber()}`
  const units = (await Promise.all(Array.from({ length: 12 }, () => newUnit(run, group)))).filter((id) => id !== null)
  if (units.length < 12 || run.over) return
  journal.together.push(units)
  const issued = await sendOnce(run, { path: '/tasks', body: { group, package: packages.a }, idsOf: taskIdsOf })
  for (const task of issued?.body.tasks ?? []) noteTask(run, task)
  const fresh = await newUnit(run)
  if (!issued || fresh === null) return
  // One that has a task already spoils it for both.
  journal.refusedIssues.add(fresh)
  const body = { units: [units[0], fresh], package: packages.a, allOrNothing: true }
  const refused = await send(run, { method: 'POST', path: '/tasks', body })
  if (refused) expectStatus(run, 'all or nothing', refused, 409)
}

interface Item {
  unit: string
  version: string
  id: string
  observedAt?: string
}

/** Sends check-ins by one of the listeners; one of an unknown unit goes with them and must be refused. */
async function report(run: KillRun, items: Item[], listener: 'public' | 'office'): Promise<void> {
  const { journal } = run
  const refused = { unit: 'NOBODY-1', version: '1.0.0', id: `refused-${run.nextNumber()}` }
  journal.refusedCheckins.add(refused.id)
  for (const { id, unit, version } of items) {
    if (!journal.checkins.has(id)) journal.checkins.set(id, { unit, version, listener, answered: false })
  }
  const body = items.length === 1 ? items[0] : [...items, refused]
  const path = listener === 'office' ? '/check-ins' : '/in/check-ins'
  const answer = await send(run, { method: 'POST', path, body, listener })
  if (!answer || !expectStatus(run, 'check-ins', answer, 200)) return
  for (const [index, item] of items.entries()) {
    const result = answer.body.results[index]
    const known = journal.checkins.get(item.id)!
    if (!result.accepted) run.faults.push(`check-in ${item.id} was refused: ${result.code}`)
    if (known.answered && !result.duplicate) run.faults.push(`check-in ${item.id} was taken twice`)
    known.answered = true
    if (result.task) noteTask(run, { id: result.task, unit: result.unit, state: result.state })
  }
  if (items.length > 1 && answer.body.results.at(-1).accepted) run.faults.push(`${refused.id} was accepted`)
}

/** New ones, and now and then one that was sent before, answered or not. */
function items(run: KillRun, count: number, listener: 'public' | 'office'): Item[] {
  const { journal, random } = run
  // A report is the same only by the same route.
  const sent = [...journal.checkins].filter(([id, one]) => one.listener === listener && id.startsWith('c-'))
  return Array.from({ length: count }, () => {
    const old = random() < 0.1 ? sent[Math.floor(random() * sent.length)] : undefined
    if (old) return { id: old[0], unit: old[1].unit, version: old[1].version }
    return {
      id: `c-${run.nextNumber()}`,
      unit: pick(random, journal.reporters),
      version: `1.0.${Math.floor(random() * 9)}`,
    }
  }).filter((item, index, all) => all.findIndex(({ id }) => id === item.id) === index)
}

async function platformReports(run: KillRun): Promise<void> {
  await report(run, items(run, run.random() < 0.5 ? 1 : 25, 'public'), 'public')
}

async function officeReports(run: KillRun): Promise<void> {
  await report(run, items(run, 1 + Math.floor(run.random() * 5), 'office'), 'office')
}

async function links(run: KillRun): Promise<void> {
  const { journal, random, packages } = run
  // The budget marks the link: found twice in the record, the request had its effect twice.
  const body = { package: packages.a, kind: 'copy', byteBudget: 100_000_000 + run.nextNumber() }
  const made = await sendOnce(run, { path: '/links', body, idsOf: idOf })
  if (!made) return
  const link = { url: made.body.url, revoked: false }
  journal.links.set(made.body.id, link)
  if (random() < 0.5) {
    const gone = await send(run, { method: 'DELETE', path: `/links/${made.body.id}` })
    if (gone && expectStatus(run, 'a revocation', gone, 204)) link.revoked = true
  }
  await pause(5)
}

async function keys(run: KillRun): Promise<void> {
  const body = { name: `key ${run.nextNumber()}`, role: 'auditor' }
  const made = await sendOnce(run, { path: '/keys', body, idsOf: (answer) => [answer.id, answer.secret] })
  if (!made) return
  const key = { secret: made.body.secret, revoked: false }
  run.journal.keys.set(made.body.id, key)
  if (run.random() < 0.5) {
    const gone = await send(run, { method: 'DELETE', path: `/keys/${made.body.id}` })
    if (gone && expectStatus(run, 'the end of a key', gone, 204)) key.revoked = true
  }
  // The command line writes from a process of its own while the server runs.
  if (run.random() < 0.1) await run.served.addKey(true)
  await pause(40)
}

async function heads(run: KillRun): Promise<void> {
  const answer = await send(run, { method: 'GET', path: '/audit/head' })
  if (answer && answer.body.seq > run.journal.head.seq) run.journal.head = answer.body
  await pause(15)
}

async function exports(run: KillRun): Promise<void> {
  await pause(100)
  const known = run.journal.head
  const answer = await send(run, { method: 'GET', path: '/audit?format=jsonl' })
  if (!answer || !expectStatus(run, 'an export', answer, 200)) return
  // Its length is not known beforehand: for our client one that a kill cut has just ended, without its last line.
  const result = await verifyExport(exportLines([Buffer.from(answer.body)]), known)
  if (run.over && result.fault?.kind === 'cut') return
  if (!result.ok) run.faults.push(`an export while the server ran: ${JSON.stringify(result.fault)}`)
  else if (result.lastSeq > run.journal.head.seq) run.journal.head = { seq: result.lastSeq, hash: result.lastHash }
}

async function profiles(run: KillRun): Promise<void> {
  const title = run.nextNumber()
  const answer = await send(run, { method: 'PUT', path: `/models/${MODEL}`, body: profileOf(title) })
  if (answer && expectStatus(run, 'a profile', answer, 200, 201)) run.journal.title = title
  await pause(30)
}

/** Goes on with those that a kill cut, and begins new ones: tasks over the air, and copies for a technician. */
async function downloads(run: KillRun): Promise<void> {
  const { journal, random } = run
  const running = new Set<Promise<void>>()
  const begin = (client: (typeof journal.clients)[number]): void => {
    const done: Promise<void> = client.download(run).finally(() => running.delete(done))
    running.add(done)
  }
  const cut = journal.clients.filter(({ whole, style }) => !whole && style !== 'withholds')
  for (const client of cut.slice(-CLIENTS_MAX)) begin(client)
  const withheld = Array.from({ length: WITHHOLDERS }, () => withhold(run))
  while (!run.over) {
    if (running.size >= CLIENTS_MAX) {
      await Promise.race([...running, pause(50)])
      continue
    }
    const link = random() < 0.8 ? await taskLink(run) : await copyLink(run)
    if (!link) continue
    const client = killClient(run, link, { bytesPerMs: pick(random, RATES_PER_MS) })
    journal.clients.push(client)
    begin(client)
  }
  await Promise.all([...running, ...withheld])
}

async function withhold(run: KillRun): Promise<void> {
  const link = await copyLink(run)
  if (!link || run.over) return
  const client = killClient(run, link, { bytesPerMs: Infinity, style: 'withholds' })
  run.journal.clients.push(client)
  await client.download(run)
}

async function taskLink(run: KillRun) {
  const unit = await newUnit(run)
  if (unit === null) return null
  // Nobody reports of this unit: nothing but the ledger moves its task.
  const body = { unit, package: run.packages.a }
  const issued = await sendOnce(run, { path: '/tasks', body, idsOf: taskIdsOf })
  const task = issued?.body.tasks[0]
  if (!task) return null
  noteTask(run, task)
  return { linkId: task.link.id as string, taskId: task.id as string, url: task.link.url as string }
}

async function copyLink(run: KillRun) {
  const body = { package: run.packages.a, kind: 'copy', byteBudget: 100_000_000 + run.nextNumber() }
  const made = await sendOnce(run, { path: '/links', body, idsOf: idOf })
  return made && { linkId: made.body.id as string, taskId: null, url: made.body.url as string }
}
