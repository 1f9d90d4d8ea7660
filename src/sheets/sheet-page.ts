// The printed page: A4 or US letter, black on white, few words, big boxes. One style element, allowed by its hash; no
// script, nothing from outside. Pure.
import { createHash } from 'node:crypto'
import { toRfc3339 } from '../clock.js'
import { cautionsBefore } from '../models/cautions.js'
import { type Html, html } from './html.js'
import { qrSvg } from './qr.js'
import { groupsOf, isByHand, NOTES_MAX, type Sheet, type SheetLink, shortHead } from './sheet.js'
import { sheetBack, stepsOf } from './sheet-back.js'
import { SHEET_STYLE } from './sheet-style.js'
import { checksOf, firstSteps, METHOD_WORDS } from './sheet-words.js'

const styleHash = createHash('sha256').update(SHEET_STYLE).digest('base64')

/** Stricter than the house's: nothing but the one style, named by its digest (W3C Content Security Policy Level 3). */
const PAGE_POLICY = `default-src 'none'; style-src 'sha256-${styleHash}'; base-uri 'none'; form-action 'none'`
/** As a header field; a frame cannot be forbidden from within the page. */
export const SHEET_POLICY = `${PAGE_POLICY}; frame-ancestors 'none'`

/** The page piece by piece, a sheet each, so that many are not one long turn of the event loop. */
export function* sheetsPieces(sheets: readonly Sheet[]): Generator<string> {
  const title = sheets.length === 1 ? `Sheet ${sheets[0]!.task.id}` : `${sheets.length} sheets`
  // The page says its policy itself as well: it is kept as a file and opened without a server.
  const head = html`<html lang="en"><head><meta charset="utf-8"><meta http-equiv="Content-Security-Policy" content="${PAGE_POLICY}"><meta name="viewport" content="width=device-width"><meta name="robots" content="noindex"><meta name="referrer" content="no-referrer"><title>${title}</title>`
  yield `<!doctype html>\n${head.text}<style>${SHEET_STYLE}</style></head><body><main>\n`
  for (const sheet of sheets) yield sheetArticle(sheet).text
  yield '</main></body></html>\n'
}

function sheetArticle(sheet: Sheet): Html {
  const words = METHOD_WORDS[sheet.task.method](sheet)
  return html`<article${isDense(sheet) ? html` class="dense"` : null}>
<section class="front">
${headOf(sheet, words.title)}
${sheet.stops.map((stop) => html`<p class="stop">STOP. ${stop}</p>`)}
${cautionsOf(sheet)}
<div class="two"><div>${unitOf(sheet)}</div><div>${fileOf(sheet)}</div></div>
${linkOf(sheet)}
<div class="two"><div><h2>1 Before</h2>${stepsOf(firstSteps(sheet))}</div>
<div><h2>Tools</h2><ul>${words.tools.map((tool) => html`<li>${tool}</li>`)}</ul>
<p class="small">Expected: ${words.times}. Common practice, no source. This model: at most ${sheet.times.installMinutes} min to install. Keep 30 min free.</p></div></div>
</section>
${sheetBack(sheet, words)}
</article>
`
}

/** Signs of free length from which the front is set smaller, so that the sheet stays one leaf. */
const DENSE_SIGNS = 600

function isDense({ unit, model, task, stops, file }: Sheet): boolean {
  const free = [unit.notes.slice(0, NOTES_MAX), unit.serial, model.title, task.fromVersion, task.toVersion, file.name]
  const texts = [...free, ...unit.groups, ...stops, ...model.cautions.map((caution) => caution.text)]
  return texts.reduce((sum, text) => sum + (text?.length ?? 0), 0) > DENSE_SIGNS
}

/** Minutes are enough on paper. */
const timeOf = (ms: number): string => `${toRfc3339(ms).slice(0, 16).replace('T', ' ')} UTC`

function headOf(sheet: Sheet, title: string): Html {
  const { task } = sheet
  return html`<header><h1>${title}</h1><p><b>Sheet ${task.id}</b><br>issued ${timeOf(task.issuedAtMs)}, do it by ${timeOf(task.deadlineMs)}<br>printed ${timeOf(sheet.printedAtMs)}, state ${task.state}, log ${shortHead(sheet.auditHead)}</p></header>`
}

/** The product's own cautions first, then the model's; always there, for every method and state. */
function cautionsOf(sheet: Sheet): Html {
  const wiring = cautionsBefore(sheet.task.method)
  return html`<section class="cautions"><h2>Caution</h2><ul>${[...wiring, ...sheet.model.cautions].map(
    (caution) => html`<li>${caution.text}</li>`,
  )}</ul></section>`
}

/** Space between the groups is drawn, not written: what is copied from the screen is the value itself. */
const grouped = (text: string, length: number): Html =>
  html`<span class="groups">${groupsOf(text, length).map((group) => html`<span>${group}</span>`)}</span>`

const row = (name: string, value: Html | string | null): Html | null =>
  value === null || value === '' ? null : html`<tr><th scope="row">${name}</th><td>${value}</td></tr>`

/** One without breaks of its own is read in groups. */
const serialOf = (serial: string | null): Html | string | null =>
  serial !== null && /^[A-Za-z0-9]{8,}$/.test(serial) ? grouped(serial, 4) : serial

function unitOf({ unit, model, task }: Sheet): Html {
  const notes = unit.notes.length > NOTES_MAX ? `${unit.notes.slice(0, NOTES_MAX)} … (more in the record)` : unit.notes
  return html`<h2>Unit</h2><table>${[
    row('IMEI', unit.imei === null ? null : grouped(unit.imei, 3)),
    row('Serial', serialOf(unit.serial)),
    row('SIM', unit.iccid === null ? null : grouped(unit.iccid, 4)),
    row('Model', `${model.title} (${model.id})`),
    row('Hardware', unit.hardware ?? ''),
    row('Groups', unit.groups.join(', ')),
    row('Notes', notes === '' ? null : html`<span class="notes">${notes}</span>`),
    row('Version', html`<b class="versions">${task.fromVersion ?? 'not known'} → ${task.toVersion}</b>`),
  ]}</table>`
}

function fileOf({ file, task }: Sheet): Html {
  const checks = checksOf(file.name).map(({ system, command }) => row(system, html`<code>${command}</code>`))
  return html`<h2>File</h2><table>${[
    row('Name', html`<code class="name">${file.name}</code>`),
    row('Size', html`<b>${file.sizeBytes}</b> bytes`),
    row('SHA-256', grouped(file.sha256, 4)),
    ...(isByHand(task.method) ? checks : []),
  ]}</table>`
}

const NO_LINK: Record<Extract<SheetLink, { kind: 'none' }>['why'], string> = {
  air: 'None on this sheet: the link of this task is for the unit alone.',
  closed: 'None: the task is closed.',
  withdrawn: 'None: the package was withdrawn.',
  'no-public-url': 'None: the server has no public address (FIRMHAND_PUBLIC_URL). Take the file from the office.',
  'on-hold': 'None now: the server is on hold. Print the sheet anew when it is released.',
  ended: 'None that works any more. The office makes a new one',
}

function linkOf({ link, task, file }: Sheet): Html {
  if (link.kind === 'none') {
    const command = `firmhand link add --package ${file.package} --tasks ${task.id}`
    return html`<section class="link"><h2>Link</h2><p>${NO_LINK[link.why]}${link.why === 'ended' ? html`: <code>${command}</code>` : null}</p></section>`
  }
  if (link.kind === 'masked') {
    return html`<section class="link"><h2>Link</h2><p><code>${link.url}</code><br>Link and code are hidden from this key.</p></section>`
  }
  const until = link.expiresAtMs === null ? '' : ` It ends ${timeOf(link.expiresAtMs)}.`
  const plain = link.url.startsWith('http:') ? ' Plain HTTP: the SHA-256 is the proof that the file is right.' : ''
  return html`<section class="link"><div><h2>Link</h2><p><code class="name">${link.url}</code></p><p class="small">Who has this link or code gets the file: keep the sheet, do not photograph it for others.${until}${plain}</p></div>${qrSvg(link.url, 'Link as QR code')}</section>`
}
