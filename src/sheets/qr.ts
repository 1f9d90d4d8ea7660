// A QR code (ISO/IEC 18004) as SVG of one path: nothing from outside, no style, sharp at any size. Pure.
import { encode } from 'uqr'
import { type Html, html } from './html.js'

/** Light modules around the symbol that a reader needs (ISO/IEC 18004, quiet zone; from memory). */
const QUIET_MODULES = 4

/** Which modules are dark, row by row, without the quiet zone. Level M: a fold or a thumb mark is made good. */
export function qrModules(text: string): boolean[][] {
  return encode(text, { ecc: 'M', border: 0 }).data
}

export function qrSvg(text: string, label: string): Html {
  const rows = qrModules(text)
  const side = rows.length + 2 * QUIET_MODULES
  const path = rows
    .flatMap((row, y) => row.map((dark, x) => (dark ? `M${x + QUIET_MODULES} ${y + QUIET_MODULES}h1v1h-1z` : '')))
    .join('')
  return html`<svg class="qr" role="img" aria-label="${label}" viewBox="0 0 ${side} ${side}" shape-rendering="crispEdges"><rect width="${side}" height="${side}" fill="#fff"/><path d="${path}" fill="#000"/></svg>`
}
