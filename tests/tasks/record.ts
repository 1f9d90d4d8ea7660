// The true writer on a folder of its own: real engine, real services, one transaction for each call, a clock that a test
// moves. Without sockets: what the byte server would report is given as its reports.
import { createHash } from 'node:crypto'
import { mkdtempSync, rmSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import type { Actor } from '../../src/audit/actor.js'
import { listEntries } from '../../src/audit/audit.store.js'
import { insertBlob } from '../../src/blobs/blob.store.js'
import type { Work } from '../../src/db/db.js'
import type { LedgerReport, TryRecord } from '../../src/downloads/delivery.js'
import { findLedgers, type Ledger } from '../../src/downloads/ledger.store.js'
import { newId } from '../../src/ids.js'
import { findLink } from '../../src/links/link.store.js'
import { Profile } from '../../src/models/profile.js'
import { insertPackage, type Package } from '../../src/packages/package.store.js'
import { openDataFolder } from '../../src/server/data-folder.driver.js'
import { openWriter, type Writer } from '../../src/server/writer.js'
import type { IssueInput } from '../../src/tasks/issue-draft.js'
import { findTask, type Task } from '../../src/tasks/task.store.js'
import { loadTaskViews } from '../../src/tasks/task-view.store.js'
import { testImei, testProfile } from '../support/app.js'
import { at, ISSUED_MS, MINUTE_MS } from './histories.js'

export const SIZE_BYTES = 1_000_000
export const PERSON: Actor = { id: 'k_person', name: 'A person', role: 'operator', via: 'api', once: null }

const ORDER: IssueInput = {
  unit: null,
  units: null,
  group: null,
  packageId: '',
  method: 'air',
  deadlineMs: null,
  supersede: false,
  force: false,
  allOrNothing: false,
  mayBeInstalling: false,
} as IssueInput

export interface Report {
  version: string
  /** Minutes after the issue; absent: no time came with it. */
  observed?: number
  source?: string
  id?: string
  digest?: string
}

export type Record = Awaited<ReturnType<typeof openRecord>>

export async function openRecord() {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-record-'))
  let nowMs = ISSUED_MS
  let units = 0
  let versions = 0
  const data = openDataFolder(path.join(folder, 'data'))
  const writer: Writer = await openWriter({
    data,
    settings: {
      serverSecret: data.serverSecret,
      publicUrl: 'http://cams.example',
      behindProxy: false,
      taskDeadlineHours: 168,
    },
    clock: () => nowMs,
    publish: () => undefined,
    sweep: false,
    onError: (error) => {
      throw error
    },
  })
  const { services, run } = writer

  const record = {
    run: <T>(work: (work: Work) => Promise<T>) => run(work),
    services,
    /** Minutes after the usual time of issue. */
    clock: (minute: number) => {
      nowMs = at(minute)
    },
    close: async () => {
      await writer.close()
      rmSync(folder, { recursive: true, force: true })
    },
    async model(id: string, change: { [name: string]: unknown } = {}): Promise<void> {
      const profile = Profile.parse(testProfile({ id, ...change }))
      await run((work) => services.models.put(work, PERSON, profile))
    },
    /** A released package; the bytes themselves are not needed here. */
    async pack(model: string, version: string, change: Partial<Package> = {}): Promise<Package> {
      const digest = (name: string) =>
        createHash(name)
          .update(`${model} ${change.notes ?? version}`)
          .digest('hex')
      const digests = { sha256: digest('sha256'), sha1: digest('sha1'), md5: digest('md5'), crc32: '00c0ffee' }
      const pack: Package = {
        id: newId('p', nowMs),
        modelId: model,
        version,
        fileName: 'sill.bin',
        sizeBytes: SIZE_BYTES,
        digests,
        state: 'released',
        installsOver: null,
        findings: [],
        notes: '',
        withdrawnReason: null,
        createdAtMs: nowMs,
        createdBy: PERSON.id,
        ...change,
      }
      await run(async (work) => {
        await insertBlob(work.db, { ...digests, sizeBytes: SIZE_BYTES, blocks: Buffer.alloc(32) }, nowMs)
        await insertPackage(work.db, pack)
      })
      return pack
    },
    async unit(model: string): Promise<string> {
      units += 1
      const unit = await run((work) =>
        services.units.create(work, PERSON, {
          imei: testImei(units),
          serial: null,
          modelId: model,
          hardware: null,
          phone: null,
          iccid: null,
          groups: [],
          timeZone: 'UTC',
          dataAllowanceBytes: null,
          notes: '',
          retired: false,
        }),
      )
      return unit.id
    },
    async issue(unit: string, pack: Package, change: Partial<IssueInput> = {}): Promise<Task> {
      const issued = await run((work) =>
        services.tasks.issue(work, PERSON, { ...ORDER, units: [unit], packageId: pack.id, ...change }),
      )
      return record.task(issued.taskIds[0]!)
    },
    /** One that no other history of this record uses. */
    nextVersion: (): string => `2.${++versions}.0`,
    /** A unit with a package of its own, so that histories do not touch each other; issued at minute 0. */
    async issued(given: { from?: string; order?: object; model?: string } = {}) {
      const model = given.model ?? 'sill-cam'
      const target = record.nextVersion()
      record.clock(-60)
      const pack = await record.pack(model, target)
      const unit = await record.unit(model)
      if (given.from !== undefined) await record.report(unit, { version: given.from, observed: -60 })
      record.clock(0)
      return { unit, pack, target, task: await record.issue(unit, pack, given.order) }
    },
    task: async (id: string): Promise<Task> => (await run((work) => findTask(work.db, id)))!,
    /** Reports of one unit in one call, as a platform or the office sends them. */
    async report(unit: string, ...reports: Report[]) {
      const items = reports.map(({ version, observed, id, digest }) => ({
        unit,
        version,
        ...(observed !== undefined && { observedAt: new Date(at(observed)).toISOString() }),
        ...(id !== undefined && { id }),
        ...(digest !== undefined && { digest }),
      }))
      const source = reports[0]!.source ?? 'platform:k_1'
      return run((work) => services.checkins.accept(work, PERSON, { items, source }))
    },
    view: async (id: string) =>
      (
        await run(async (work) =>
          loadTaskViews(
            work.db,
            [(await findTask(work.db, id))!],
            { serverSecret: data.serverSecret, publicUrl: 'http://cams.example', behindProxy: false },
            { seesSecrets: false, nowMs },
          ),
        )
      )[0]!,
    attest: (id: string, state: 'fetched' | 'verified' | 'confirmed' | 'failed') =>
      run((work) =>
        services.tasks.attest(work, PERSON, id, {
          state,
          reason: state === 'failed' ? 'other' : null,
          note: 'seen by Ada Example',
        }),
      ),
    cancel: (id: string, reason = 'called off') =>
      run((work) => services.tasks.cancel(work, PERSON, id, { reason, mayBeInstalling: true })),
    withdraw: (pack: Package) =>
      run((work) => services.tasks.withdrawPackage(work, PERSON, pack.id, 'it loses its settings')),
    due: () => run((work) => services.tasks.settleDue(work)),
    bytes: (...reports: LedgerReport[]) => run((work) => services.ledger.record(work, reports)),
    ledger: async (linkId: string): Promise<Ledger> =>
      (await run((work) => findLedgers(work.db, [linkId]))).get(linkId)!,
    link: (linkId: string) => run((work) => findLink(work.db, linkId)),
    /** Entries of the log about the task, oldest first, without what is outside the hashed bytes. */
    log: async (taskId: string) =>
      (await run((work) => listEntries(work.db, { task: taskId }, { afterSeq: 0, limit: 1000 }))).map(
        (entry) =>
          JSON.parse(entry.body) as {
            action: string
            fromVersion: string | null
            toVersion: string | null
            detail: { [name: string]: unknown }
          },
      ),
  }
  await record.model('sill-cam')
  return record
}

/** What the byte server learnt of a link at that minute. */
export function news(linkId: string, minute: number, change: Partial<LedgerReport> = {}): LedgerReport {
  const spans = change.sent ?? change.acknowledged ?? []
  const sentBytes = spans.reduce((sum, [first, last]) => sum + last - first + 1, 0)
  return {
    linkId,
    atMs: at(minute),
    sent: spans,
    acknowledged: [],
    inferred: [],
    sentBytes,
    duplicateBytes: 0,
    firstAskedAtMs: at(minute) - MINUTE_MS,
    lastByteAtMs: spans.length > 0 ? at(minute) : null,
    budgetSpent: false,
    tries: [],
    flags: [],
    ...change,
  }
}

export const whole = (linkId: string, minute: number): LedgerReport =>
  news(linkId, minute, { acknowledged: [[0, SIZE_BYTES - 1]] })

let tries = 0
export const tryOf = (change: Partial<TryRecord>): TryRecord => ({
  id: `y_${String(++tries).padStart(6, '0')}`,
  startedAtMs: ISSUED_MS,
  endedAtMs: null,
  method: 'GET',
  status: 206,
  span: [0, SIZE_BYTES - 1],
  sentBytes: 0,
  acknowledgedBytes: 0,
  end: 'open',
  remoteAddress: '192.0.2.1',
  userAgent: null,
  flags: [],
  ...change,
})
