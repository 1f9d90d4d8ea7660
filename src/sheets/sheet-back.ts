// The back of the sheet: the steps at the unit, the boxes to fill in, and what to do when it does not come up. Pure.
import { type Html, html } from './html.js'
import { isByHand, type Sheet } from './sheet.js'
import { fileSteps, lastSteps, type MethodWords, TROUBLE } from './sheet-words.js'

const box = (label: string, size: 'wide' | 'narrow' | 'full' = 'narrow'): Html =>
  html`<div class="box ${size}"><span>${label}</span></div>`

const tick = (label: string): Html => html`<span class="tick"><i></i>${label}</span>`

export const stepsOf = (steps: readonly string[]): Html => html`<ol>${steps.map((step) => html`<li>${step}</li>`)}</ol>`

export function sheetBack(sheet: Sheet, words: MethodWords): Html {
  const { task, times } = sheet
  return html`<section class="back">
<p class="small"><b>Sheet ${task.id}</b>, ${words.title}, ${task.fromVersion ?? '?'} → ${task.toVersion}</p>
${isByHand(task.method) ? html`<h2>2 The file</h2>${stepsOf(fileSteps(sheet))}` : null}
<h2>${isByHand(task.method) ? '3 At the unit' : '2 At the unit'}</h2>${stepsOf([...words.steps, ...lastSteps(sheet)])}
<h2>Fill in</h2>
<div class="boxes">
${box('IMEI or serial as read', 'wide')}${box('Version before', 'wide')}
${box('Start: date, time')}${box('Volts at start')}${box('Volts under load')}
<div class="ticks">${words.stages.map(tick)}</div>
${box('Version after', 'wide')}${box('Time read', 'wide')}
${box(`Version again, ${times.soakMinutes} min later`, 'wide')}${box('Time read', 'wide')}
<div class="ticks">${['records', 'time right', 'platform sees it', 'settings as before'].map(tick)}</div>
<div class="ticks"><b>Outcome</b>${['done', 'to be repeated', 'no life', 'wrong variant', 'other'].map(tick)}</div>
${box('Note', 'full')}
${box('Name')}${box('Date')}${box('Signature')}
</div>
<h2>When it does not come up</h2>
<table class="trouble">${TROUBLE.map(({ sign, remedy }) => html`<tr><th scope="row">${sign}</th><td>${remedy}</td></tr>`)}</table>
<p class="small">Office: type it in with <code>firmhand task report ${task.id} --by NAME …</code> The upgrade counts by the version that was read, not by this paper.</p>
</section>`
}
