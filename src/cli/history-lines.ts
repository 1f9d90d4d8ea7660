// What happened to a unit, as a person reads it: a time, a sentence, who. Pure; the JSON has every member.
import { grouped } from './command.js'
import { printableInLine } from './printable.js'

export interface HistoryRow {
  at: string
  kind: string
  what: string
  task: string | null
  by: { id: string; name: string | null } | null
  fromVersion: string | null
  toVersion: string | null
  detail: Record<string, unknown>
}

type Sentence = (row: HistoryRow, detail: Record<string, string>) => string

const METHODS: Record<string, string> = { air: 'over the air' }

/** A report that was observed this much earlier than it was received says so; less is the way that it took. */
const SAME_TIME_MS = 60_000

const SENTENCES: Record<string, Sentence> = {
  'unit.created': (_row, { model, hardware, groups }) => `added: ${listed({ model, hardware, groups })}`,
  'unit.changed': (_row, { changed, model, hardware, groups, retired }) =>
    `changed (${changed}): ${listed({ model, hardware, groups, retired })}`,
  'checkin.accepted': (row, { timing, observedAt, source, digest }) =>
    [
      `reported ${row.toVersion}`,
      ` (${source?.split(':')[0] ?? '?'})`,
      timing === 'receipt' ? ', without a time' : '',
      timing === 'clock' ? ', dated wrongly' : '',
      timing === 'stated' && Date.parse(row.at) - Date.parse(observedAt ?? '') > SAME_TIME_MS
        ? `, observed ${seconds(observedAt!)}`
        : '',
      digest ? `, digest ${digest}` : '',
    ].join(''),
  'task.issued': (row, { method, deadline }) =>
    `task ${row.task} issued: ${row.fromVersion ?? '?'} -> ${row.toVersion} ${METHODS[method!] ?? `by ${method}`}, until ${seconds(deadline!)}`,
  'link.created': (_row, { kind, byteBudgetBytes }) =>
    `${kind} link made, good for ${grouped(Number(byteBudgetBytes))} bytes`,
  'link.ended': (_row, { reason }) => `link ended${reason && reason !== 'ended' ? `: ${reason}` : ''}`,
  'command.composed': (_row, { segments }) => `text composed, ${segments} message${segments === '1' ? '' : 's'}`,
  'command.sent': () => 'text marked as sent',
  'task.moved': (_row, { state, grade, implied, takenBack }) =>
    takenBack
      ? `${takenBack} taken back, ${state} again`
      : `-> ${state} (${implied === 'true' ? 'implied, ' : ''}${grade})`,
  'task.flagged': (_row, { flags }) => `flag ${flags}`,
  'task.attested': (_row, { state, reason, digest, note }) =>
    `a person says: ${state}${reason ? ` (${reason})` : ''}${digest ? `, digest ${digest}` : ''}${quoted(note)}`,
  'task.reported': (_row, { outcome, note }) => `sheet typed in, outcome ${outcome}${quoted(note)}`,
  'task.cancelled': (_row, { note }) => `task cancelled${quoted(note)}`,
  'task.closed': (row, { state, reason }) => `task ${row.task} closed: ${state}${reason ? ` (${reason})` : ''}`,
  'task.afterwards': (_row, { version, meaning }) => `  after the task had closed: ${version}, ${meaning}`,
  'labels.erased': (_row, { entries }) => `personal data erased from ${entries} entries of the log`,
}

function quoted(note: string | undefined): string {
  return note ? `: “${note}”` : ''
}

function seconds(at: string): string {
  return at.replace(/\.\d+Z$/, 'Z')
}

function listed(values: Record<string, string | undefined>): string {
  return Object.entries(values)
    .flatMap(([name, value]) => (value ? [`${name} ${value}`] : []))
    .join(', ')
}

/** Members as words: lists with commas; what is null or an object has no short form. */
function wordsOf(detail: Record<string, unknown>): Record<string, string> {
  return Object.fromEntries(
    Object.entries(detail).flatMap(([name, value]): [string, string][] => {
      if (Array.isArray(value)) return [[name, value.join(', ')]]
      return value === null || typeof value === 'object' ? [] : [[name, String(value)]]
    }),
  )
}

/** A download: which bytes were asked for, how many arrived, how it ended, from where. */
function downloadSentence({ what, detail }: HistoryRow): string {
  const { sentBytes, acknowledgedBytes, end, remoteAddress, userAgent } = wordsOf(detail)
  const from = `from ${remoteAddress ?? '?'}${userAgent ? ` (${userAgent})` : ''}`
  if (!Array.isArray(detail.span)) return `${what} ${from}`
  const [first, last] = detail.span as [number, number]
  return [
    `download of bytes ${grouped(first)} to ${grouped(last)}: ${grouped(Number(sentBytes))} sent,`,
    `${grouped(Number(acknowledgedBytes))} acknowledged, ${end}; ${from}`,
  ].join(' ')
}

function sentenceOf(row: HistoryRow): string {
  if (row.kind === 'download') return downloadSentence(row)
  const words = wordsOf(row.detail)
  const sentence = SENTENCES[row.what]
  const { seq: _seq, ...rest } = words
  return sentence ? sentence(row, words) : `${row.what}${listed(rest) ? `: ${listed(rest)}` : ''}`
}

/** Moves and ends that the server concluded are told without the key whose report or call was the occasion. */
const CONCLUDED = ['task.moved', 'task.flagged', 'task.closed', 'task.afterwards', 'link.ended', 'link.created']

function byOf(row: HistoryRow): string {
  if (row.by === null || row.by.id === 'system' || CONCLUDED.includes(row.what) || row.what === 'command.composed')
    return ''
  return `  by ${row.by.name ?? row.by.id}`
}

/** The same said again and again, as platforms report every minute, is one line with how often and until when. */
export function historyLines(rows: readonly HistoryRow[]): string[] {
  const runs: { what: string; at: string; until: string; text: string; times: number }[] = []
  for (const row of rows) {
    const text = printableInLine(`${sentenceOf(row)}${byOf(row)}`)
    // A report behind a closed task is two entries in turn. Over anything else no line is folded: A, B, A is no A, A, B.
    const last = runs.at(-1)
    const before = last?.what === 'task.afterwards' ? runs.at(-2) : undefined
    const same = [last, before].find((run) => run?.text === text)
    if (same) {
      same.times += 1
      same.until = row.at
    } else runs.push({ what: row.what, at: row.at, until: row.at, text, times: 1 })
  }
  return runs.map(({ at, until, text, times }) =>
    times === 1 ? `${seconds(at)}  ${text}` : `${seconds(at)}  ${text}  (${times} times until ${seconds(until)})`,
  )
}
