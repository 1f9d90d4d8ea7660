// The way of a list through the house: to a file, row by row into a scratch file, then to the writer in one piece. Runs in
// the main thread, off the writer; the answer is streamed from the scratch file, however many rows were refused.
import { rm } from 'node:fs/promises'
import path from 'node:path'
import type { Readable } from 'node:stream'
import type { Actor } from '../audit/actor.js'
import { readHead } from '../audit/audit.store.js'
import type { Clock } from '../clock.js'
import type { Finding } from '../csv/finding.js'
import { diskFull, isFullDisk, spool } from '../csv/spool.driver.js'
import type { Db } from '../db/db.js'
import { AppError } from '../errors.js'
import { newId } from '../ids.js'
import type { Remote } from '../threads/remote.js'
import { type Counts, openScratch, type Scratch } from './import-scratch.store.js'
import { listModelIds } from './unit.store.js'
import type { CellContext } from './unit-cells.js'
import type { UnitImportService } from './unit-import.service.js'
import { judgeFile } from './unit-judge.service.js'
import { resolveRows } from './unit-resolve.service.js'

/** A million rows of the usual 150 bytes, and room for notes. */
const LIST_MAX_BYTES = 256 * 1024 * 1024
/** Lists that may be under way at once, each with a file of its own; they are judged one after the other. */
const LISTS_MAX = 4
/** Of one key: a program that has gone wild leaves places to others. */
const LISTS_PER_KEY_MAX = 2
/** Findings of one piece of the answer. */
const PIECE_FINDINGS = 200

export interface IntakeOptions {
  /** Who sends it. */
  keyId: string
  partial: boolean
  check: boolean
  region: CellContext['region']
}

export interface Intake {
  counts: Counts
  stored: boolean
  /** Rows were refused, and good ones alone were not wanted. */
  refused: boolean
  /** The members of the answer as JSON text, without the braces around them. */
  members(): AsyncGenerator<string>
  /** Takes the scratch file away; the answer cannot be read after that. */
  dispose(): Promise<void>
}

export interface IntakeDeps {
  read: Db
  clock: Clock
  dataFolder: string
  imports: Remote<UnitImportService>
}

export function unitIntake(deps: IntakeDeps) {
  /** Key ids, one for each list under way. */
  const open: string[] = []
  let last: Promise<unknown> = Promise.resolve()
  const inTurn = <T>(work: () => Promise<T>): Promise<T> => {
    const mine = last.then(work)
    last = mine.catch(() => undefined)
    return mine
  }

  async function judge(listFile: string, scratchFile: string, region: CellContext['region']) {
    const scratch = openScratch(scratchFile)
    try {
      const context = { models: await listModelIds(deps.read), region }
      if (!(await judgeFile(listFile, scratch, context))) return { isReadable: false, hasRejected: true, seenSeq: 0 }
      const { seq: seenSeq } = await readHead(deps.read)
      await resolveRows(deps.read, scratch)
      return { isReadable: true, hasRejected: scratch.hasRejected(), seenSeq }
    } finally {
      scratch.close()
    }
  }

  /** @param actorOf the caller once the digest of the list is known; refuses one whose key is gone by then */
  async function take(
    body: Readable,
    actorOf: (sha256: string) => Promise<Actor>,
    options: IntakeOptions,
  ): Promise<Intake> {
    const mine = open.filter((keyId) => keyId === options.keyId).length
    if (open.length >= LISTS_MAX || mine >= LISTS_PER_KEY_MAX) {
      const whose = mine >= LISTS_PER_KEY_MAX ? `${mine} lists of this key` : `${open.length} lists`
      throw new AppError('not-ready', `${whose} are being read already: send this one when they are done.`)
    }
    open.push(options.keyId)
    // The folder is swept at every start: whatever a crash leaves of a list goes with it.
    const base = path.join(deps.dataFolder, 'incoming', newId('list', deps.clock()))
    const [listFile, scratchFile] = [`${base}.csv`, `${base}.db`]
    let disposed = false
    const dispose = async () => {
      if (disposed) return
      disposed = true
      open.splice(open.indexOf(options.keyId), 1)
      for (const file of [listFile, scratchFile]) await rm(file, { force: true })
    }
    try {
      const sha256 = await spool(body, listFile, LIST_MAX_BYTES)
      const actor = await actorOf(sha256)
      const judged = await inTurn(() => judge(listFile, scratchFile, options.region))
      await rm(listFile, { force: true })
      const mayStore = judged.isReadable && (!judged.hasRejected || options.partial)
      const outcome =
        mayStore && !options.check
          ? await deps.imports.store(actor, { scratchFile, seenSeq: judged.seenSeq, partial: options.partial })
          : { stored: false }
      const scratch = openScratch(scratchFile)
      const { stored } = outcome
      const refused = !stored && !(mayStore && options.check)
      // A repeat by Idempotency-Key gets the numbers of the first time.
      const counted: Counts = 'read' in outcome ? outcome : scratch.counts()
      const counts = refused ? { ...counted, created: 0, updated: 0 } : counted
      return {
        counts,
        stored,
        refused,
        members: () => members(scratch, counts, stored),
        dispose: async () => {
          scratch.close()
          await dispose()
        },
      }
    } catch (error) {
      await dispose()
      throw isFullDisk(error) ? diskFull(error) : error
    }
  }

  return { take }
}

async function* members(scratch: Scratch, counts: Counts, stored: boolean): AsyncGenerator<string> {
  yield `${JSON.stringify({ ...counts, stored }).slice(1, -1)},"rejected":[`
  yield* asItems(scratch.findings('rejected'))
  yield '],"cautions":['
  yield* asItems(scratch.findings('caution'))
  yield ']'
}

function* asItems(findings: Iterable<Finding>): Generator<string> {
  let before = ''
  let piece: string[] = []
  for (const finding of findings) {
    piece.push(JSON.stringify(finding))
    if (piece.length < PIECE_FINDINGS) continue
    yield before + piece.join(',')
    before = ','
    piece = []
  }
  if (piece.length > 0) yield before + piece.join(',')
}
