// The one style of the printed page. Its digest stands in the policy, so it is a constant. Pure.
// A4 is 210 × 297 mm, US letter 216 × 279 mm: the page is laid out for the smaller of each.

export const SHEET_STYLE = `
@page { margin: 9mm 10mm }
* { box-sizing: border-box }
body { margin: 0 auto; max-width: 190mm; color: #000; background: #fff; font: 10pt/1.25 Arial, Helvetica, sans-serif }
article + article, .back { break-before: page }
header { display: flex; justify-content: space-between; gap: 4mm; border-bottom: 1mm solid #000 }
h1 { font-size: 17pt; margin: 0 0 1mm }
h2 { font-size: 11.5pt; margin: 2mm 0 .8mm; break-after: avoid }
p { margin: 0 0 1mm }
header p { text-align: right; font-size: 8.5pt }
ol, ul { margin: 0; padding-left: 5mm }
li { margin-bottom: .7mm; break-inside: avoid }
table { border-collapse: collapse; width: 100% }
th { text-align: left; vertical-align: top; padding: .4mm 2mm .4mm 0; white-space: nowrap; font-weight: normal }
td { padding: .4mm 0; overflow-wrap: anywhere }
code, .groups { font: 9.5pt/1.25 "Courier New", Courier, monospace; overflow-wrap: anywhere }
.groups span { display: inline-block; margin-right: 1.6mm }
.groups, .name, .versions { font-weight: bold }
.versions { font-size: 11.5pt }
.notes { white-space: pre-wrap; font-size: 8.5pt }
.small { font-size: 8.5pt }
.stop { border: 1.5mm solid #000; padding: 2mm; font-size: 14pt; font-weight: bold }
.cautions { border: .7mm solid #000; padding: 0 2mm 1mm; margin-top: 2mm; font-weight: bold; break-inside: avoid }
.two { display: grid; grid-template-columns: 1fr 1fr; gap: 5mm }
.two > div { min-width: 0 }
.link { display: flex; justify-content: space-between; gap: 4mm; border-top: .3mm solid #000; border-bottom: .3mm solid #000; margin-top: 2mm; break-inside: avoid }
.link > div { min-width: 0 }
.link:not(:has(svg)) { display: block }
.link .name { font-size: 11pt }
.qr { width: 34mm; height: 34mm; flex: none }
.boxes { display: grid; grid-template-columns: repeat(6, 1fr); gap: 1.2mm }
.box { border: .5mm solid #000; height: 10.5mm; padding: .3mm 1mm; break-inside: avoid; grid-column: span 2; font-size: 8pt }
.box.wide { grid-column: span 3 }
.box.full, .ticks { grid-column: span 6 }
.ticks { display: flex; flex-wrap: wrap; gap: 1mm 4.5mm; align-items: center; font-size: 9.5pt }
.tick { display: flex; align-items: center; gap: 1.2mm }
.tick i { display: inline-block; width: 5.5mm; height: 5.5mm; border: .6mm solid #000 }
.dense .front, .dense .front code, .dense .front .groups { font-size: 8.5pt; line-height: 1.15 }
.dense .front .stop { font-size: 11pt; padding: 1mm 2mm }
.dense .front .versions { font-size: 9.5pt }
.trouble { font-size: 8.5pt }
.trouble th { font-weight: bold }
.trouble tr { break-inside: avoid }
@media screen { body { padding: 4mm; font-size: 12pt } h2 { font-size: 14pt } .box, code, .groups, .ticks, .small, .trouble, .notes, header p { font-size: 11pt } .box { height: 14mm } }
@media screen and (max-width: 600px) { .two, .link { display: block } .boxes { grid-template-columns: 1fr } .box, .box.wide, .box.full, .ticks { grid-column: auto } header { display: block } header p { text-align: left } }
`
