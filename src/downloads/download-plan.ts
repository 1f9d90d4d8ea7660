// Decides each answer of the byte server as a value: status, the exact bytes of the head, the slice of the file. Pure.
// Ruled by domain.md "Links: what a dumb client needs, always" and RFC 9110 §13 to §15. Names of fields are written in
// this very letter case, Content-Length first: there are clients that search for them as text.
import { readRange } from './byte-range.js'
import type { LinkTarget } from './delivery.js'
import { readDownloadPath, sameFileName } from './download-path.js'
import { formatHttpDate } from './http-date.js'
import { evaluate, ifRangeAllows, namesOnly, type Validators } from './preconditions.js'
import { bodyOf, type RequestHead, wantsKeepAlive } from './request-head.js'

export interface DownloadPlan {
  status: number
  /** The head to the byte, with its empty line. ASCII. */
  head: string
  /** Bytes of the file that follow; null = none. */
  slice: { first: number; last: number } | null
  /** Whether the connection ends with this answer. */
  close: boolean
  /** The offset, where this answer continues a download by an open-ended range (rule b of the ledger), else null. */
  resumeFrom: number | null
}

const REASONS: Record<number, string> = {
  200: 'OK',
  206: 'Partial Content',
  304: 'Not Modified',
  400: 'Bad Request',
  404: 'Not Found',
  405: 'Method Not Allowed',
  410: 'Gone',
  412: 'Precondition Failed',
  416: 'Range Not Satisfiable',
  429: 'Too Many Requests',
  503: 'Service Unavailable',
}

/** How long a client with too many connections should wait: a dead one of its own is dropped by then. */
const RETRY_AFTER_SECONDS = 60

/** When to come again to a link that gives nothing for now: people have to act first, and each try costs a metered SIM. */
const LATER_SECONDS = 3600

/** Strong, and the same for ever: made from the bytes alone. */
export const etagOf = (sha256: string): string => `"${sha256}"`

export function planDownload(asked: {
  request: RequestHead
  target: LinkTarget | null
  nowMs: number
  /** The link's byte budget is used up, as the byte server counts it. */
  budgetSpent?: boolean
}): DownloadPlan {
  const { request, target, nowMs } = asked
  const refusal = refuse(request)
  if (refusal) return empty({ ...refusal, request, nowMs })
  const path = readDownloadPath(request.target)
  if (!target || !path || !sameFileName({ asked: path.fileName, wanted: target.fileName })) {
    return empty({ status: 404, request, nowMs })
  }
  const later = target.end === 'on-hold' || target.end === 'damaged'
  if ((target.end !== null && !later) || asked.budgetSpent) return empty({ status: 410, request, nowMs })
  if (later) return planLater(request, nowMs)

  const file = validatorsOf(target)
  const verdict = evaluate(request.headers, file)
  if (verdict === 'failed') return empty({ status: 412, request, nowMs })
  if (verdict === 'not-modified') return notModified(request, file, nowMs)
  return deliver(request, target, nowMs)
}

/** An address that names no link. Plain GETs may be the doctor's question: then its fields are added. null = not this case. */
export function planUnknown(asked: {
  request: RequestHead
  target: LinkTarget | null
  nowMs: number
  fields: () => Field[]
}): DownloadPlan | null {
  const { request, target, nowMs } = asked
  if (target !== null || refuse(request)) return null
  return empty({ status: 404, request, nowMs, fields: asked.fields() })
}

/**
 * On hold, or the stored bytes are damaged until they are uploaded again. Not 410: a client that takes "gone" at its word
 * never comes back, and this link is to work again (RFC 9110 §15.6.4, §10.2.3).
 */
function planLater(request: RequestHead, nowMs: number): DownloadPlan {
  return empty({ status: 503, request, nowMs, fields: [['Retry-After', String(LATER_SECONDS)]], close: true })
}

/** Too many connections on one link: a moment's wait helps. */
export function planTooMany(request: RequestHead, nowMs: number): DownloadPlan {
  return empty({ status: 429, request, nowMs, fields: [['Retry-After', String(RETRY_AFTER_SECONDS)]], close: true })
}

/** The record cannot be asked: the unit tries again later. */
export function planUnavailable(request: RequestHead, nowMs: number): DownloadPlan {
  return empty({ status: 503, request, nowMs, close: true })
}

/** Bytes that are no request. Where it ends cannot be known, so the connection ends. */
export function planUnreadable(nowMs: number): DownloadPlan {
  return empty({ status: 400, request: null, nowMs, close: true })
}

/** What is wrong with the request itself, before any link is looked at. */
function refuse(request: RequestHead): { status: number; fields?: Field[]; close?: boolean } | null {
  // RFC 9112 §6.1, §6.3: framing that two readers may read differently is refused.
  if (bodyOf(request) === 'faulty') return { status: 400, close: true }
  if (request.method === 'GET' || request.method === 'HEAD') return null
  // RFC 9110 §14.5: a part must not be taken for the whole by a server that knows no partial PUT.
  if (request.method === 'PUT' && request.headers.has('content-range')) return { status: 400 }
  return { status: 405, fields: [['Allow', 'GET, HEAD']] }
}

function deliver(request: RequestHead, target: LinkTarget, nowMs: number): DownloadPlan {
  const file = validatorsOf(target)
  const { sizeBytes } = target
  // RFC 9110 §14.2: Range is defined for GET only, and looked at after the other conditions.
  const ranged = request.method === 'GET' && ifRangeAllows(request.headers, file)
  const range = readRange(ranged ? request.headers.get('range') : undefined, sizeBytes)
  if (range.kind === 'unsatisfiable') {
    return empty({ status: 416, request, nowMs, fields: [['Content-Range', `bytes */${sizeBytes}`]] })
  }
  const part = range.kind === 'part' ? range : null
  const span = part ?? { first: 0, last: sizeBytes - 1 }
  const fields: Field[] = [
    ['Content-Length', String(span.last - span.first + 1)],
    ['Content-Type', 'application/octet-stream'],
  ]
  if (part) fields.push(['Content-Range', `bytes ${part.first}-${part.last}/${sizeBytes}`])
  fields.push(['Accept-Ranges', 'bytes'], ['ETag', file.etag], ['Last-Modified', formatHttpDate(file.lastModifiedMs)])
  // RFC 9530 §3: over the whole file also on a part, so that a unit can check what it has joined.
  fields.push(['Repr-Digest', `sha-256=:${Buffer.from(target.sha256, 'hex').toString('base64')}:`])
  if (target.contentDisposition) fields.push(['Content-Disposition', dispositionOf(target.fileName)])
  const close = closes(request)
  return {
    status: part ? 206 : 200,
    head: headText({ status: part ? 206 : 200, fields, request, close, nowMs }),
    slice: request.method === 'HEAD' || sizeBytes === 0 ? null : { first: span.first, last: span.last },
    close,
    resumeFrom: part?.openEnded && part.first > 0 && namesOnly(request.headers, file.etag) ? part.first : null,
  }
}

type Field = [name: string, value: string]

/** Some units flash whatever body they get: every answer but 200 and 206 has none. */
function empty(answer: {
  status: number
  request: RequestHead | null
  nowMs: number
  fields?: Field[]
  close?: boolean
}): DownloadPlan {
  const close = answer.close || answer.request === null || closes(answer.request)
  const fields: Field[] = [['Content-Length', '0'], ...(answer.fields ?? [])]
  const head = headText({ ...answer, fields, close })
  return { status: answer.status, head, slice: null, close, resumeFrom: null }
}

/** RFC 9110 §15.4.5: with what a 200 would carry for caches, and without Content-Length, which §8.6 forbids to be 0. */
function notModified(request: RequestHead, file: Validators, nowMs: number): DownloadPlan {
  const fields: Field[] = [
    ['ETag', file.etag],
    ['Last-Modified', formatHttpDate(file.lastModifiedMs)],
  ]
  const close = closes(request)
  return {
    status: 304,
    head: headText({ status: 304, fields, request, close, nowMs }),
    slice: null,
    close,
    resumeFrom: null,
  }
}

/** A body is never read, so that nothing in it can be taken for a request: the connection ends. */
function closes(request: RequestHead): boolean {
  return !wantsKeepAlive(request) || bodyOf(request) !== 'none'
}

function headText(answer: {
  status: number
  fields: Field[]
  request: RequestHead | null
  close: boolean
  nowMs: number
}): string {
  const fields: Field[] = [
    ...answer.fields,
    // No proxy may re-code or keep a firmware file; the same for refusals, which may end at any moment.
    ['Cache-Control', 'no-transform, no-store'],
    ['Date', formatHttpDate(answer.nowMs)],
  ]
  if (answer.close) fields.push(['Connection', 'close'])
  else if (answer.request?.minorVersion === 0) fields.push(['Connection', 'keep-alive'])
  const lines = fields.map(([name, value]) => `${name}: ${value}`)
  return [`HTTP/1.1 ${answer.status} ${REASONS[answer.status] ?? ''}`, ...lines, '', ''].join('\r\n')
}

function validatorsOf(target: LinkTarget): Validators {
  return { etag: etagOf(target.sha256), lastModifiedMs: Math.floor(target.storedAtMs / 1000) * 1000 }
}

/** RFC 6266 §4.1, §4.3; the second form only where ASCII does not suffice. Nothing in a name can end the line. */
function dispositionOf(fileName: string): string {
  const ascii = fileName.replace(/[^\x20-\x7e]/g, '_').replace(/["\\]/g, '\\$&')
  const plain = `attachment; filename="${ascii}"`
  if (/^[\x20-\x7e]*$/.test(fileName)) return plain
  const coded = encodeURIComponent(fileName.replace(/\p{Surrogate}/gu, '_')).replace(
    /['()*]/g,
    (sign) => `%${sign.charCodeAt(0).toString(16)}`,
  )
  return `${plain}; filename*=UTF-8''${coded}`
}
