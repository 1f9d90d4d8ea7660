import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  type CommandLimits,
  composeCommand,
  fillTemplate,
  PLACES,
  type PlaceValues,
  parseTemplate,
  TEMPLATE_CHARS_MAX,
  type Template,
} from '../../src/command-texts/template.js'

function templateOf(text: string): Template {
  const parsed = parseTemplate(text)
  if (!parsed.ok) throw new Error(parsed.detail)
  return parsed.template
}
const URL_TEXT = 'http://fw.example.com/d/23456789abcdefgh/CAM.BIN'
const VALUES: PlaceValues = {
  url: URL_TEXT,
  fileName: 'CAM.BIN',
  version: '1.2',
  imei: '490154203237518',
  serial: null,
}
const LIMITS: CommandLimits = { maxUnits: null, encoding: 'GSM-7', urlMaxBytes: null, forbiddenInUrl: '' }
const compose = (text: string, limits: Partial<CommandLimits> = {}, values: PlaceValues = {}) =>
  composeCommand({ template: templateOf(text), values: { ...VALUES, ...values }, limits: { ...LIMITS, ...limits } })

describe('a template', () => {
  const filled: [string, string][] = [
    ['SET {version},{fileName}#', 'SET 1.2,CAM.BIN#'],
    [' a{version}\r\n', ' a1.2\r\n'], // Nothing is trimmed.
    ['{{version}}', '{version}'],
    ['{{{version}}}', '{1.2}'],
    ['{version}{version}', '1.21.2'],
    ['}}{{', '}{'],
    ['"$1" &amp; %20 \\n', '"$1" &amp; %20 \\n'], // Nothing is escaped or read as a pattern.
    ['', ''],
  ]
  it.each(filled)('%j becomes %j', (text, expected) => {
    expect(fillTemplate(templateOf(text), VALUES)).toEqual({ ok: true, text: expected })
  })

  const faults: [string, string, string][] = [
    ['A {Url}', 'template-place-unknown', '{Url}'],
    ['A { url }', 'template-place-unknown', '{ url }'],
    ['A {}', 'template-place-unknown', '{}'],
    ['A {constructor}', 'template-place-unknown', '{constructor}'],
    ['A {url', 'template-place-unclosed', '{url at character 3'],
    ['A {ur{l}', 'template-place-unclosed', '{ur at character 3'],
    ['A {', 'template-place-unclosed', 'character 3'],
    ['A url}', 'template-brace-alone', 'character 6'],
    ['{{{url}}', 'template-brace-alone', 'character 8'],
    ['x'.repeat(TEMPLATE_CHARS_MAX + 1), 'template-too-long', '2001'],
  ]
  it.each(faults)('%j is refused: %s, naming %s', (text, code, named) => {
    expect(parseTemplate(text)).toMatchObject({ ok: false, code, detail: expect.stringContaining(named) })
  })

  it('with a value missing is not filled, and the place is named', () => {
    for (const place of ['serial', 'md5']) {
      const result = fillTemplate(templateOf(`A {${place}}`), VALUES)
      expect(result).toMatchObject({
        ok: false,
        code: 'place-without-value',
        detail: expect.stringContaining(`{${place}}`),
      })
    }
  })

  it('gives any text and any values back to the letter, values with braces included', () => {
    const piece = fc.oneof(fc.string({ unit: 'binary' }), fc.constantFrom('{', '}', '{{', '{url}'))
    const values = fc.record(Object.fromEntries(PLACES.map((place) => [place, piece])))
    const pieces = fc.array(
      fc.oneof(
        piece.map((text) => ({ text })),
        fc.constantFrom(...PLACES).map((place) => ({ place })),
      ),
    )
    fc.assert(
      fc.property(pieces, values, (list, given) => {
        const source = list
          .map((one) => ('text' in one ? one.text.replace(/[{}]/g, '$&$&') : `{${one.place}}`))
          .join('')
        const expected = list.map((one) => ('text' in one ? one.text : given[one.place])).join('')
        expect(fillTemplate(templateOf(source), given)).toEqual({ ok: true, text: expected })
      }),
    )
  })
})

describe('a command', () => {
  it('is the text to the letter, with its measure', () => {
    expect(compose('*UPG,{url}#')).toEqual({
      ok: true,
      text: `*UPG,${URL_TEXT}#`,
      encoding: 'GSM-7',
      units: URL_TEXT.length + 6,
      segments: 1,
      cautions: [],
    })
  })

  const refused: [string, string, Partial<CommandLimits>, PlaceValues, string, string][] = [
    ['a URL over the limit', '{url}', { urlMaxBytes: 47 }, {}, 'url-too-long', '48 bytes'],
    [
      'a separator in the URL',
      'A,{url}',
      { forbiddenInUrl: ',;' },
      { url: 'http://a/b;c' },
      'url-has-forbidden-character',
      '; (U+003B) at character 11',
    ],
    ['a typographic quote', 'A “{version}”', {}, {}, 'character-not-in-gsm7', '“ (U+201C) at character 3'],
    ['an invisible space', 'A\u00a0B', {}, {}, 'character-not-in-gsm7', 'U+00A0 at character 2'],
    [
      'such a character even where the text is too long',
      `${'x'.repeat(99)}\``,
      {},
      {},
      'character-not-in-gsm7',
      'U+0060',
    ],
    ['more than one message', 'x'.repeat(161), {}, {}, 'command-too-long', '2 messages'],
    ['more units than the unit takes', '{version}~~', { maxUnits: 6 }, {}, 'command-too-long', '7 GSM-7 units'],
    [
      'more UCS-2 units than one message takes',
      'あ'.repeat(71),
      { encoding: 'any' },
      {},
      'command-too-long',
      '71 UCS-2',
    ],
    ['more messages than allowed', 'x'.repeat(307), { maxSegments: 2 }, {}, 'command-too-long', '3 messages'],
    ['an empty command', '', {}, {}, 'command-empty', 'empty'],
    ['half a surrogate pair', 'A\ud83d', { encoding: 'any' }, {}, 'character-broken', 'character 2'],
    ['a place without a value', '{serial}', {}, {}, 'place-without-value', '{serial}'],
  ]
  it.each(refused)('is refused for %s', (_name, text, limits, values, code, named) => {
    const result = compose(text, limits, values)
    expect(result).toMatchObject({ ok: false, code, detail: expect.stringContaining(named) })
  })

  it('is taken right at each limit', () => {
    expect(compose('{url}', { urlMaxBytes: 48 })).toMatchObject({ ok: true })
    expect(compose('x'.repeat(160))).toMatchObject({ ok: true, segments: 1 })
    expect(compose('{version}~~', { maxUnits: 7 })).toMatchObject({ ok: true, units: 7 })
    expect(compose('x'.repeat(306), { maxSegments: 2 })).toMatchObject({ ok: true, segments: 2 })
    expect(compose('あ'.repeat(70), { encoding: 'any' })).toMatchObject({ ok: true, encoding: 'UCS-2' })
  })

  it('is not judged by a URL that it does not hold', () => {
    expect(compose('STATUS', { urlMaxBytes: 1, forbiddenInUrl: ':' })).toMatchObject({ ok: true, cautions: [] })
  })

  const codes = (result: ReturnType<typeof compose>) => (result.ok ? result.cautions.map(({ code }) => code) : result)
  const cautioned: [string, string, PlaceValues, string[]][] = [
    ['nothing', '{url}', {}, []],
    ['a long URL', '{url}', { url: `http://a/${'x'.repeat(92)}` }, ['url-long']],
    ['none of 100 bytes', '{url}', { url: `http://a/${'x'.repeat(91)}` }, []],
    ['an underscore in the URL', '{url}', { url: 'http://a/cam_1.bin' }, ['url-characters-at-risk']],
    ['none in the words of the command', 'SET_FW {url}', {}, []],
    ['a line feed within', 'A\nB', {}, ['invisible-characters']],
    ['a blank at the end', 'A ', {}, ['blank-at-the-end']],
    ['a blank at the start', ' A', {}, ['blank-at-the-end']],
    ['a line end', 'A\r\n', {}, ['invisible-characters', 'blank-at-the-end']],
  ]
  it.each(cautioned)('has a caution for %s', (_name, text, values, expected) => {
    expect(codes(compose(text, {}, values))).toEqual(expected)
  })

  it('names each character at risk and what it becomes', () => {
    const result = compose('{url}', {}, { url: 'http://u@a/~x_y_$.bin' })
    const text = 'Some SMS paths change characters of the URL: @ as ¡, ~ as ü, _ as §, $ as ¤.'
    expect(result).toMatchObject({ cautions: [{ code: 'url-characters-at-risk', text }] })
  })
})
