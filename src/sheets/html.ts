// HTML as a value: what is put into it is escaped, unless it is HTML already. Pure.

export class Html {
  readonly text: string
  constructor(text: string) {
    this.text = text
  }
}

type Piece = Html | string | number | null | readonly (Html | string | number | null)[]

const SIGNS: Record<string, string> = { '&': '&amp;', '<': '&lt;', '>': '&gt;', '"': '&quot;', "'": '&#39;' }

/** For text and for values of attributes in quotes (HTML Living Standard §13.1.2.3 and §13.3). */
const escapeHtml = (text: string): string => text.replace(/[&<>"']/g, (sign) => SIGNS[sign]!)

function textOf(piece: Piece): string {
  if (piece === null) return ''
  if (piece instanceof Html) return piece.text
  if (typeof piece === 'object') return piece.map(textOf).join('')
  return escapeHtml(String(piece))
}

/** The text of the template is HTML as it stands; every value in it is escaped. */
export function html(parts: TemplateStringsArray, ...values: Piece[]): Html {
  return new Html(parts.map((part, index) => (index === 0 ? part : textOf(values[index - 1]!) + part)).join(''))
}
