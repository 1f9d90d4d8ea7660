// One client's connection to the byte server: reads request after request, answers each, and closes so that the last
// bytes arrive. What an answer says is decided in download-plan.ts, what may be claimed of it in link-ledger.ts.
import type { Socket } from 'node:net'
import { handOverBytes, sendBody } from './body-sender.driver.js'
import type { Connection, ConnectionHouse } from './connection-house.js'
import { createDeliveries } from './deliveries.driver.js'
import type { LinkTarget, TryEnd } from './delivery.js'
import { readDownloadPath } from './download-path.js'
import {
  type DownloadPlan,
  planDownload,
  planTooMany,
  planUnavailable,
  planUnknown,
  planUnreadable,
} from './download-plan.js'
import { createInbox } from './inbox.driver.js'
import type { LinkEntry } from './link-registry.js'
import { createHeadReader, type HeadOutcome, type RequestHead } from './request-head.js'
import { flagsOfTry } from './try-flags.js'

/** TCP keep-alive: late enough for carriers that charge for every packet, early enough for NATs that forget a flow. */
const KEEP_ALIVE_MS = 120_000
/** Of what a client says of itself the record keeps so much: real names are shorter, giant ones would fill it. */
const USER_AGENT_SIGNS_MAX = 256
const METHOD_SIGNS_MAX = 16
const TIMED_OUT = new Set(['ETIMEDOUT', 'EHOSTUNREACH', 'ENETUNREACH', 'EHOSTDOWN', 'ENETDOWN'])

/** A request with what was found of its link. */
interface Found {
  request: RequestHead
  target: LinkTarget | null
  entry: LinkEntry | null
}

export function openConnection(socket: Socket, house: ConnectionHouse, connectionId: string): Connection {
  const { clock, limits, log } = house
  const remoteAddress = (socket.remoteAddress ?? '').replace(/^::ffff:(?=\d+\.)/, '')
  const inbox = createInbox(socket, { clock, bytesMax: limits.pipelinedBytesMax })
  const deliveries = createDeliveries({ socket, ...house })
  let killedBy: TryEnd | null = null
  let errorCode: string | null = null
  let clientSentFin = false
  let lastRequestAtMs = clock()
  let entryNow: LinkEntry | null = null
  let over = (): void => {}
  /** `socket.closed` turns true before the event does, and what is open is settled in the event. */
  const closed = new Promise<void>((resolve) => {
    over = resolve
  })

  socket.setKeepAlive(true, KEEP_ALIVE_MS)
  socket.on('error', onError)
  socket.on('close', onClose)

  function onError(error: NodeJS.ErrnoException): void {
    errorCode = error.code ?? 'unknown'
  }

  function onClose(): void {
    deliveries.finish(howItEnded())
    useLink(null)
    over()
  }

  function howItEnded(): TryEnd {
    if (killedBy) return killedBy
    if (errorCode && TIMED_OUT.has(errorCode)) return 'timeout'
    // A client that goes away sends its FIN first and answers our next bytes with RST: it is the FIN that tells.
    if (errorCode) return clientSentFin ? 'fin' : 'reset'
    return 'complete'
  }

  const onFin = (): void => {
    clientSentFin = true
    house.watch.soon() // Should it be going away, the count can still be read until it answers us with RST.
  }
  socket.on('end', onFin)

  function kill(how: TryEnd): void {
    killedBy ??= how
    // After our FIN everything has arrived, and libuv refuses to reset a stream that is being shut down.
    if (socket.writableEnded) socket.destroy()
    else socket.resetAndDestroy()
  }

  /** A connection counts for the link that it asked for last. */
  function useLink(entry: LinkEntry | null): void {
    entryNow?.connections.delete(connection)
    entryNow = entry
    entryNow?.connections.add(connection)
  }

  /** The next head, or null when there will be none that is answered here. */
  async function nextHead(isFirst: boolean): Promise<Exclude<HeadOutcome, { kind: 'more' }> | null> {
    const reader = createHeadReader()
    let begunAtMs = isFirst ? performance.now() : null
    let firstPiece = true
    for (;;) {
      const leftMs = begunAtMs === null ? limits.idleMs : limits.headMs - (performance.now() - begunAtMs)
      const piece = leftMs > 0 ? await inbox.take(leftMs) : 'late'
      if (piece === 'ended') return null
      if (piece === 'late') {
        if (begunAtMs !== null) socket.destroy() // Half a head, or none since the accept.
        return null
      }
      begunAtMs ??= performance.now()
      if (firstPiece) {
        firstPiece = false
        lastRequestAtMs = piece.arrivedAtMs
        deliveries.followedUp(piece.arrivedAtMs)
      }
      const outcome = reader.push(piece.bytes)
      if (outcome.kind === 'head') inbox.putBack({ bytes: outcome.rest, arrivedAtMs: piece.arrivedAtMs })
      if (outcome.kind !== 'more') return outcome
    }
  }

  /** Asks the record anew for every request: a link may have ended since the last one. */
  async function find(request: RequestHead): Promise<Found> {
    const path = readDownloadPath(request.target)
    if (!path) return { request, target: null, entry: null }
    const mark = house.registry.mark()
    const found = await house.links.find(path.token)
    if (!found) return { request, target: null, entry: null }
    const target: LinkTarget = { ...found, end: found.end ?? house.registry.endedSince(found.linkId, mark) }
    return { request, target, entry: house.registry.meet(target) }
  }

  async function answer(request: RequestHead): Promise<boolean> {
    let found: Found
    try {
      found = await find(request)
    } catch (error) {
      log.warn({ err: error }, 'a link could not be looked up')
      await sendEmpty(planUnavailable(request, clock()))
      return false
    }
    const { target, entry } = found
    if (socket.destroyed) return false
    useLink(entry)
    if (entry && target?.end === null) house.keep(socket)
    const budgetSpent = target !== null && entry !== null && entry.ledger.sentBytes >= target.byteBudgetBytes
    const plan = isCrowded(entry)
      ? planTooMany(request, clock())
      : (planUnknown({ request, target, nowMs: clock(), fields: () => house.echo(request.target, socket) }) ??
        planDownload({ request, target, nowMs: clock(), budgetSpent }))
    // A wrong file name on a known token is an unknown address like any other, and no try of the link.
    const counted = entry !== null && plan.status !== 404
    if (counted && budgetSpent && target?.end === null) entry.ledger.spendBudget()
    const tryId = counted ? beginTry({ request, target: target!, entry, plan }) : null
    const whole =
      plan.slice && tryId ? await deliver(plan, { target: target!, entry: entry!, tryId }) : await sendEmpty(plan)
    return whole && !plan.close
  }

  /** Too many connections of one link; one on which nothing moves gives way first, so that dead ones lock nobody out. */
  function isCrowded(entry: LinkEntry | null): boolean {
    if (!entry || entry.connections.size <= limits.connectionsPerLinkMax) return false
    const others = [...entry.connections].filter((other) => other !== connection)
    const stalest = others.reduce((a, b) => (b.lastProgressMs < a.lastProgressMs ? b : a))
    if (clock() - stalest.lastProgressMs < limits.staleMs) return true
    stalest.kill('timeout')
    return false
  }

  function beginTry(of: { request: RequestHead; target: LinkTarget; entry: LinkEntry; plan: DownloadPlan }): string {
    const { request, target, entry, plan } = of
    const tryId = house.newTryId()
    const userAgent = request.headers.get('user-agent')?.slice(0, USER_AGENT_SIGNS_MAX) ?? null
    entry.ledger.begin({
      tryId,
      connectionId,
      method: request.method.slice(0, METHOD_SIGNS_MAX),
      status: plan.status,
      span: plan.slice && [plan.slice.first, plan.slice.last],
      resumeFrom: plan.resumeFrom,
      atMs: clock(),
      remoteAddress,
      userAgent,
      flags: flagsOfTry({ userAgent, ...target }),
    })
    house.touch(entry, plan.slice === null)
    return tryId
  }

  async function sendEmpty(plan: DownloadPlan): Promise<boolean> {
    house.meter.answered(plan.status)
    const head = Buffer.from(plan.head, 'latin1')
    const handedOver = await handOverBytes(socket, head)
    if (handedOver) deliveries.wroteHead(head.length)
    return handedOver
  }

  async function deliver(
    plan: DownloadPlan,
    of: { target: LinkTarget; entry: LinkEntry; tryId: string },
  ): Promise<boolean> {
    const { target, entry, tryId } = of
    const slice = plan.slice!
    house.meter.answered(plan.status)
    deliveries.begin(tryId, entry, slice.last - slice.first + 1)
    const outcome = await sendBody({
      socket,
      blocks: house.blocks,
      sha256: target.sha256,
      sizeBytes: target.sizeBytes,
      slice,
      head: Buffer.from(plan.head, 'latin1'),
      remainingBytes: () => target.byteBudgetBytes - entry.ledger.sentBytes,
      onHandedOver: ({ headBytes, span }) => {
        deliveries.wroteHead(headBytes)
        deliveries.wroteBody(tryId, span)
      },
    })
    if (outcome.kind === 'damaged') {
      log.warn({ err: outcome.error, linkId: entry.linkId, sha256: target.sha256 }, 'a stored file is damaged')
      house.onDamaged?.(target.sha256)
      kill('damaged')
    }
    if (outcome.kind === 'budget-spent') {
      entry.ledger.spendBudget()
      log.info({ linkId: entry.linkId }, 'a download was cut off: the byte budget of its link is spent')
      kill('budget-spent')
    }
    return outcome.kind === 'handed-over'
  }

  /** Our FIN waits until the far end has everything: after it, nothing more could be learned. */
  async function close(): Promise<void> {
    await deliveries.settled()
    if (socket.destroyed) return
    inbox.drop()
    socket.end()
    const timer = setTimeout(() => socket.destroy(), limits.lingerMs)
    socket.once('close', () => clearTimeout(timer))
  }

  /** Others answer this one; it leaves with every byte that was read. */
  async function release(bytes: Buffer): Promise<void> {
    await deliveries.settled() // Once in other hands, nothing more can be learned of what was delivered here.
    if (socket.destroyed) return closed
    const rest = inbox.release()
    socket.off('error', onError)
    socket.off('close', onClose)
    socket.off('end', onFin)
    deliveries.finish('complete')
    useLink(null)
    house.handOver(socket, Buffer.concat([bytes, rest]))
  }

  async function run(): Promise<void> {
    for (let isFirst = true; ; isFirst = false) {
      const outcome = await nextHead(isFirst)
      if (outcome === null) break
      if (outcome.kind === 'other') return release(outcome.bytes)
      if (outcome.kind === 'refused') {
        await sendEmpty(planUnreadable(clock()))
        break
      }
      if (!(await answer(outcome.head))) break
      // A turn of the event loop for each request: one client's row of pipelined ones must not hold up everybody else.
      await new Promise((resolve) => setImmediate(resolve))
    }
    if (!socket.destroyed) await close()
    await closed
  }

  const connection: Connection = {
    get lastProgressMs() {
      return Math.max(lastRequestAtMs, deliveries.lastProgressAtMs)
    },
    kill,
    get isBusy() {
      return deliveries.isBusy
    },
    finish: () => inbox.finish(),
    done: Promise.resolve(),
  }
  connection.done = run().catch((error: unknown) => {
    log.warn({ err: error }, 'a connection failed')
    socket.destroy()
  })
  return connection
}
