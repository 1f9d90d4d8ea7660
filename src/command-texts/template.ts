// The text that a unit is sent, made from its model's template to the letter: nothing is trimmed, escaped or added. Pure.
import { readAfterAsciiPath } from './gsm7.js'
import { measureText, nameOf } from './sms-segments.js'

export const PLACES = [
  'url',
  'fileName',
  'version',
  'sizeBytes',
  'sha256',
  'sha1',
  'md5',
  'crc32',
  'imei',
  'serial',
] as const
export type Place = (typeof PLACES)[number]

/** Far above what any channel takes in one command; it bounds the work for a template that was pasted by mistake. */
export const TEMPLATE_CHARS_MAX = 2000

/** Above this a URL is a caution: units cut off longer ones without a word (common practice, no source). */
const URL_BYTES_ADVISED = 100

export interface Template {
  pieces: ({ text: string } | { place: Place })[]
}

export interface TextFault {
  ok: false
  code: string
  detail: string
}

/** null or absent: the unit or package has no such value. */
export type PlaceValues = Partial<Record<Place, string | null>>

export interface CommandLimits {
  /** Septets for GSM-7, code units for UCS-2; null = whatever maxSegments takes. */
  maxUnits: number | null
  /** 1 unless said: parts come in any order and get lost, and many units never join them. */
  maxSegments?: number
  encoding: 'GSM-7' | 'any'
  /** null = no limit of its own. */
  urlMaxBytes: number | null
  /** Characters that this model's reading of its commands trips over, such as its separators. */
  forbiddenInUrl: string
}

export interface Caution {
  code: string
  text: string
}

export interface Command {
  ok: true
  text: string
  encoding: 'GSM-7' | 'UCS-2'
  units: number
  segments: number
  cautions: Caution[]
}

const fault = (code: string, detail: string): TextFault => ({ ok: false, code, detail })

/** `{name}` is a place, `{{` and `}}` are single braces. */
export function parseTemplate(text: string): { ok: true; template: Template } | TextFault {
  if (text.length > TEMPLATE_CHARS_MAX) {
    return fault(
      'template-too-long',
      `A template has at most ${TEMPLATE_CHARS_MAX} characters, this has ${text.length}.`,
    )
  }
  const pieces: Template['pieces'] = []
  let plain = ''
  for (let at = 0; at < text.length; at += 1) {
    const char = text[at]!
    if ((char === '{' || char === '}') && text[at + 1] === char) {
      plain += char
      at += 1
    } else if (char === '}') {
      return fault(
        'template-brace-alone',
        `The } at character ${at + 1} closes nothing. Write }} for a brace in the text.`,
      )
    } else if (char === '{') {
      const name = /[^{}]*/y
      name.lastIndex = at + 1
      const place = name.exec(text)![0]
      if (text[at + 1 + place.length] !== '}') {
        const detail = `The place {${place.slice(0, 40)} at character ${at + 1} is not closed. Write {{ for a brace in the text.`
        return fault('template-place-unclosed', detail)
      }
      if (!isPlace(place)) {
        const detail = `There is no place {${place.slice(0, 40)}}. Use one of ${PLACES.map((known) => `{${known}}`).join(' ')}.`
        return fault('template-place-unknown', detail)
      }
      if (plain !== '') pieces.push({ text: plain })
      plain = ''
      pieces.push({ place })
      at += place.length + 1
    } else plain += char
  }
  if (plain !== '') pieces.push({ text: plain })
  return { ok: true, template: { pieces } }
}

const isPlace = (name: string): name is Place => (PLACES as readonly string[]).includes(name)

export function fillTemplate(template: Template, values: PlaceValues): { ok: true; text: string } | TextFault {
  let text = ''
  for (const piece of template.pieces) {
    const filled = 'text' in piece ? piece.text : values[piece.place]
    if (filled === undefined || filled === null) {
      const place = 'place' in piece ? piece.place : ''
      return fault('place-without-value', `The command needs {${place}}, and there is no value for it.`)
    }
    text += filled
  }
  return { ok: true, text }
}

/** Refuses what the unit could not take, and warns of what may not arrive as it was sent. */
export function composeCommand({
  template,
  values,
  limits,
}: {
  template: Template
  values: PlaceValues
  limits: CommandLimits
}): Command | TextFault {
  const filled = fillTemplate(template, values)
  if (!filled.ok) return filled
  const { text } = filled
  const url = template.pieces.some((piece) => 'place' in piece && piece.place === 'url') ? values.url! : null
  const refusal = (url === null ? null : urlRefusal(url, limits)) ?? textRefusal(text, limits)
  if (refusal) return refusal
  const { encoding, units, segments } = measureText(text)
  return { ok: true, text, encoding, units, segments, cautions: [...urlCautions(url ?? ''), ...textCautions(text)] }
}

function urlRefusal(url: string, { urlMaxBytes, forbiddenInUrl }: CommandLimits): TextFault | null {
  const bytes = Buffer.byteLength(url)
  if (urlMaxBytes !== null && bytes > urlMaxBytes) {
    return fault(
      'url-too-long',
      `The URL has ${bytes} bytes, the unit takes ${urlMaxBytes}. Shorten the file name or the host.`,
    )
  }
  const forbidden = [...url].findIndex((char) => forbiddenInUrl.includes(char))
  if (forbidden < 0) return null
  const char = [...url][forbidden]!
  const detail = `The URL holds ${shown(char)} at character ${forbidden + 1}, which this model cannot read in a URL.`
  return fault('url-has-forbidden-character', detail)
}

function textRefusal(text: string, { maxUnits, maxSegments = 1, encoding: wanted }: CommandLimits): TextFault | null {
  const { encoding, units, segments, misfits } = measureText(text)
  if (units === 0) return fault('command-empty', 'The command is empty: write the template of the model.')
  const half = /[\ud800-\udfff]/u.exec(text)
  if (half) return fault('character-broken', `Half a character stands at character ${half.index + 1}: type it anew.`)
  const [misfit] = misfits
  // Before the length: one such character more than halves what fits, and a message about the length would mislead.
  if (wanted === 'GSM-7' && misfit) {
    const more = misfits.length > 1 ? ` So are ${misfits.length - 1} more.` : ''
    const detail = `${shown(misfit.char)} at character ${misfit.index + 1} is not in the SMS alphabet (GSM-7).${more} Replace it.`
    return fault('character-not-in-gsm7', detail)
  }
  if (maxUnits !== null && units > maxUnits) {
    return fault('command-too-long', `The command has ${units} ${encoding} units, the unit takes ${maxUnits}.`)
  }
  if (segments > maxSegments) {
    const detail = `The command takes ${segments} messages (${units} ${encoding} units), the unit takes ${maxSegments}.`
    return fault('command-too-long', detail)
  }
  return null
}

function urlCautions(url: string): Caution[] {
  const cautions: Caution[] = []
  const bytes = Buffer.byteLength(url)
  if (bytes > URL_BYTES_ADVISED) {
    cautions.push({
      code: 'url-long',
      text: `The URL has ${bytes} bytes: some units cut off what is beyond ${URL_BYTES_ADVISED}.`,
    })
  }
  const changed = [...new Set(url)].filter((char) => readAfterAsciiPath(char) !== null)
  if (changed.length > 0) {
    const list = changed.map((char) => `${char} as ${readAfterAsciiPath(char)}`).join(', ')
    cautions.push({ code: 'url-characters-at-risk', text: `Some SMS paths change characters of the URL: ${list}.` })
  }
  return cautions
}

/** Control and format characters, and every white space but the plain space. */
const INVISIBLE = /[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]|(?! )\p{Zs}/gu

function textCautions(text: string): Caution[] {
  const cautions: Caution[] = []
  const names = [...new Set(text.match(INVISIBLE) ?? [])].slice(0, 5).map(nameOf)
  if (names.length > 0) {
    cautions.push({
      code: 'invisible-characters',
      text: `The command holds characters that cannot be seen: ${names.join(', ')}.`,
    })
  }
  if (/^\s|\s$/.test(text)) {
    cautions.push({
      code: 'blank-at-the-end',
      text: 'The command begins or ends with a blank: some units then refuse it.',
    })
  }
  return cautions
}

function shown(char: string): string {
  return /[\p{L}\p{N}\p{P}\p{S}]/u.test(char) ? `${char} (${nameOf(char)})` : nameOf(char)
}
