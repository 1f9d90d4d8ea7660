// What has to hold after every kill, once the server has started again by itself: the record against the journal and the
// clients' files. Reads the database and the packages on disk, and asks the server where its answer is what counts.
import { readdirSync, readFileSync } from 'node:fs'
import path from 'node:path'
import BetterSqlite from 'better-sqlite3'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { expectStatus, type KillRun, pick, rankOf, repeat, send, sha256 } from './kill-journal.js'
import { MODEL } from './kill-load.js'
import { covers, type Span, unite } from './spans.js'

/** Of what is asked for one by one: after each kill so many, chosen anew, and at the end of a folder's life all. */
const SAMPLE = 12
const FETCHED_BY = ['acknowledged', 'inferred']

type Rows = Record<string, unknown>[]

export async function checkAll(run: KillRun, whole: boolean): Promise<void> {
  const db = new BetterSqlite(path.join(run.served.dataFolder, 'firmhand.db'), { readonly: true })
  const all = (sql: string): Rows => db.prepare(sql).all() as Rows
  try {
    checkStore(run, all)
    checkCheckins(run, all)
    checkTasks(run, all)
    checkLedgers(run, all)
    checkPackages(run, all, whole)
    if (whole && db.pragma('integrity_check', { simple: true }) !== 'ok') run.faults.push('integrity_check')
    if ((db.pragma('foreign_key_check') as Rows).length > 0) run.faults.push('foreign_key_check')
  } finally {
    db.close()
  }
  await checkLog(run)
  await checkRevoked(run, whole)
  await checkOnce(run)
}

function count(run: KillRun, kind: string, number: number): void {
  run.checked.set(kind, (run.checked.get(kind) ?? 0) + number)
}

/** Units, keys, profile. */
function checkStore(run: KillRun, all: (sql: string) => Rows): void {
  const { journal, faults } = run
  const units = new Set(all('select id from unit').map(({ id }) => id))
  for (const id of journal.units) if (!units.has(id)) faults.push(`unit ${id} is gone`)
  const keys = new Map(all('select id, revoked_at_ms from access_key').map((row) => [row.id, row.revoked_at_ms]))
  for (const [id, { revoked }] of journal.keys) {
    if (!keys.has(id)) faults.push(`key ${id} is gone`)
    else if (revoked && keys.get(id) === null) faults.push(`key ${id} is live again`)
  }
  const [model] = all('select profile from model')
  const title = Number(JSON.parse(String(model!.profile)).title)
  if (title < journal.title) faults.push(`the profile is ${title}, ${journal.title} was acknowledged`)
  count(run, 'units', journal.units.size)
  count(run, 'keys', journal.keys.size)
  count(run, 'profiles', 1)
}

function checkCheckins(run: KillRun, all: (sql: string) => Rows): void {
  const { journal, faults } = run
  const kept = new Map<unknown, number>()
  for (const { external_id: id } of all('select external_id from checkin')) kept.set(id, (kept.get(id) ?? 0) + 1)
  let answered = 0
  for (const [id, checkin] of journal.checkins) {
    if ((kept.get(id) ?? 0) > 1) faults.push(`check-in ${id} is there twice`)
    if (!checkin.answered) continue
    answered += 1
    if (!kept.has(id)) faults.push(`check-in ${id} is gone`)
  }
  for (const id of journal.refusedCheckins) if (kept.has(id)) faults.push(`refused check-in ${id} is there`)
  const [entries] = all("select count(*) as count from audit where action = 'checkin.accepted'")
  const rows = [...kept.values()].reduce((sum, n) => sum + n, 0)
  if (entries!.count !== rows) faults.push(`${rows} check-ins, ${entries!.count} entries of them in the log`)
  count(run, 'check-ins', answered)
  count(run, 'refused', journal.refusedCheckins.size)
}

function checkTasks(run: KillRun, all: (sql: string) => Rows): void {
  const { journal, faults } = run
  const tasks = all('select id, unit_id, state, link_id from task')
  const states = new Map(tasks.map(({ id, state }) => [id, String(state)]))
  const withTask = new Set(tasks.map((row) => row.unit_id))
  for (const [id, { rank }] of journal.tasks) {
    const state = states.get(id)
    if (state === undefined) faults.push(`task ${id} is gone`)
    else if (rankOf(state) < rank) faults.push(`task ${id} is ${state} and was further`)
  }
  for (const units of journal.together) {
    const there = units.filter((id) => withTask.has(id)).length
    if (there !== 0 && there !== units.length) faults.push(`${there} of ${units.length} tasks of one call`)
  }
  for (const unit of journal.refusedIssues) if (withTask.has(unit)) faults.push(`unit ${unit}: its issue was refused`)
  const links = new Set(all('select id from link').map(({ id }) => id))
  for (const { id, link_id: link } of tasks) if (!links.has(link)) faults.push(`task ${id} has no link`)
  const [entries] = all("select count(*) as count from audit where action = 'task.issued'")
  if (entries!.count !== tasks.length)
    faults.push(`${tasks.length} tasks, ${entries!.count} entries of them in the log`)
  count(run, 'tasks', journal.tasks.size)
  count(run, 'refused', journal.refusedIssues.size)
}

/** No claim beyond what stands in the clients' files; nothing at all where nobody asked. */
function checkLedgers(run: KillRun, all: (sql: string) => Rows): void {
  const { journal, faults, packages } = run
  const sizeBytes = packages.bytes.length
  const clients = new Map(journal.clients.map((client) => [client.linkId, client]))
  let claimed = 0
  for (const row of all('select link_id, acknowledged, inferred, complete_grade from ledger')) {
    const client = clients.get(String(row.link_id))
    const acknowledged = JSON.parse(String(row.acknowledged)) as Span[]
    const inferred = JSON.parse(String(row.inferred)) as Span[]
    const proven = client?.style === 'breaks' ? [] : acknowledged
    for (const span of [...proven, ...inferred]) {
      if (!covers(client?.held ?? [], span)) {
        faults.push(`${client?.style} ${row.link_id} claims ${span}, its file holds ${JSON.stringify(client?.held)}`)
      }
      claimed += span[1] - span[0] + 1
    }
    if (client?.style === 'withholds' && acknowledged.length > 0) count(run, 'withheld', 1)
    const isWhole = covers(unite([...acknowledged, ...inferred]), [0, sizeBytes - 1])
    if ((row.complete_grade !== null) !== isWhole) faults.push(`${row.link_id}: complete_grade ${row.complete_grade}`)
  }
  for (const row of all('select link_id, moves from task')) {
    const moves = JSON.parse(String(row.moves)) as { state: string; implied: boolean; grade: string }[]
    const byLedger = moves.some((move) => move.state === 'fetched' && !move.implied && FETCHED_BY.includes(move.grade))
    const client = clients.get(String(row.link_id))
    if (byLedger && client?.style !== 'breaks' && !client?.whole)
      faults.push(`fetched without the file: ${row.link_id}`)
    if (byLedger) count(run, 'fetched', 1)
  }
  count(run, 'claimed bytes', claimed)
}

function checkPackages(run: KillRun, all: (sql: string) => Rows, whole: boolean): void {
  const { journal, faults, served, random } = run
  const rows = all('select version, sha256, state from package')
  const kept = new Map(rows.map((row) => [String(row.version), row]))
  for (const [version, upload] of journal.uploads) {
    const row = kept.get(version)
    if (upload.answered && !row) faults.push(`package ${version} is gone`)
    if (row && row.sha256 !== upload.sha256) faults.push(`package ${version} has other bytes`)
    if (upload.released && row?.state !== 'released') faults.push(`package ${version} is ${row?.state}, not released`)
    if (upload.answered) count(run, 'packages', 1)
  }
  for (const version of journal.refusedUploads)
    if (kept.has(version)) faults.push(`refused package ${version} is there`)
  if (kept.has('8.0.0')) faults.push('half an upload is a package')
  count(run, 'refused', journal.refusedUploads.size)

  const packages = path.join(served.dataFolder, 'packages')
  const files = readdirSync(packages).flatMap((folder) =>
    readdirSync(path.join(packages, folder)).map((name) => path.join(packages, folder, name)),
  )
  const blobs = new Set(all('select sha256 from blob').map((row) => String(row.sha256)))
  for (const row of rows) if (!blobs.has(String(row.sha256))) faults.push(`package ${row.version} has no blob`)
  const names = new Set(files.map((file) => path.basename(file)))
  for (const name of blobs) if (!names.has(name)) faults.push(`the bytes of ${name} are gone`)
  for (const name of names) if (!blobs.has(name)) faults.push(`${name} was not swept`)
  const drafts = readdirSync(served.dataFolder).filter((name) => name.startsWith('secret.'))
  if (drafts.length > 0) faults.push(`drafts of the secret were not swept: ${drafts}`)
  const left = readdirSync(path.join(served.dataFolder, 'incoming'))
  if (left.length > 0) faults.push(`incoming was not swept: ${left}`)
  for (const file of whole ? files : Array.from({ length: SAMPLE }, () => pick(random, files))) {
    if (sha256(readFileSync(file)) !== path.basename(file)) faults.push(`the bytes of ${file} are others`)
  }
}

/** A whole copy verifies and holds the head that was seen last; the next entry continues it. */
async function checkLog(run: KillRun): Promise<void> {
  const answer = await send(run, { method: 'GET', path: '/audit?format=jsonl' })
  if (!answer) return
  const result = await verifyExport(exportLines([Buffer.from(answer.body)]), run.journal.head)
  if (!result.ok || !result.complete)
    run.faults.push(`the log: ${JSON.stringify(result)}, seen ${run.journal.head.seq}`)
  run.journal.head = { seq: result.lastSeq, hash: result.lastHash }
  count(run, 'log entries', result.entries)
}

async function checkRevoked(run: KillRun, whole: boolean): Promise<void> {
  const { journal, faults, served, random } = run
  const links = [...journal.links.values()]
  const chosen = whole ? links : links.filter(() => random() < SAMPLE / links.length)
  for (const { url, revoked } of chosen) {
    const { status } = await fetch(url, { method: 'HEAD', headers: { connection: 'close' } })
    // A revocation that was not answered may have happened or not; a live link may end with its task.
    if (revoked ? status !== 410 : status !== 200 && status !== 410) faults.push(`link: ${status}, revoked: ${revoked}`)
  }
  count(run, 'links', chosen.length)
  const keys = [...journal.keys.values()].filter(() => whole || random() < 0.2)
  for (const { secret, revoked } of keys) {
    const { status } = await served.call('GET', `/models/${MODEL}`, undefined, { key: secret })
    if (revoked && status !== 401) faults.push(`a revoked key gets ${status}`)
  }
}

/** Repeats get the first answer; what was not answered happens now, once. */
async function checkOnce(run: KillRun): Promise<void> {
  const { journal, faults, random, served } = run
  const open = journal.requests.filter(({ answer }) => answer === null)
  const known = journal.requests.filter(({ answer }) => answer !== null)
  for (const request of [
    ...open,
    ...Array.from({ length: SAMPLE / 2 }, () => known[Math.floor(random() * known.length)]),
  ]) {
    if (!request) continue
    const answer = await repeat(run, request)
    if (!answer) continue
    const ids = request.idsOf(answer.body)
    if (request.answer && String(request.answer) !== String(ids)) {
      faults.push(`${request.path}: answered ${request.answer}, repeated ${ids}`)
    }
    request.answer = ids
    count(run, 'repeats', 1)
  }
  const db = new BetterSqlite(path.join(served.dataFolder, 'firmhand.db'), { readonly: true })
  try {
    const twice = db
      .prepare("select byte_budget_bytes from link where kind = 'copy' group by byte_budget_bytes having count(*) > 1")
      .all()
    if (twice.length > 0) faults.push(`links made twice: ${JSON.stringify(twice)}`)
    const names = db.prepare('select name from access_key group by name having count(*) > 1').all()
    if (names.length > 0) faults.push(`keys made twice: ${JSON.stringify(names)}`)
  } finally {
    db.close()
  }
  expectStatus(run, 'readyz', await health(run), 200)
}

async function health(run: KillRun) {
  const response = await fetch(`${run.served.officeUrl}/readyz`, { headers: { connection: 'close' } })
  return { status: response.status, headers: response.headers, body: await response.text() }
}
