// Reads the text format by the published rules, strictly: Prometheus documentation, "Exposition formats", section
// "Text-based format" (version 0.0.4), and names what is wrong by "Metric and label naming" and "Histograms and
// summaries". Written from those pages as remembered; promtool said the same of our output when it was run by hand.

export interface Sample {
  name: string
  labels: Record<string, string>
  value: number
}
export interface Family {
  name: string
  type: string
  help: string
  samples: Sample[]
}

const NAME = /^[a-zA-Z_:][a-zA-Z0-9_:]*$/
const LABEL = /([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\\n]|\\["\\n])*)"(?:,|$)/y
const VALUE = /^(?:[+-]?Inf|NaN|[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?)$/i
const TYPES = ['counter', 'gauge', 'histogram', 'summary', 'untyped']

export class ExpositionFault extends Error {}
function demand(holds: boolean, what: string): asserts holds {
  if (!holds) throw new ExpositionFault(what)
}

function readLabels(text: string): Record<string, string> {
  const labels: Record<string, string> = {}
  LABEL.lastIndex = 0
  while (LABEL.lastIndex < text.length) {
    const at = LABEL.lastIndex
    const match = LABEL.exec(text)
    demand(match !== null, `labels: ${text.slice(at)}`)
    demand(!(match[1]! in labels), `label twice: ${match[1]}`)
    labels[match[1]!] = match[2]!
  }
  return labels
}

/** @throws ExpositionFault at the first thing that the format forbids. */
export function readExposition(text: string): Family[] {
  demand(text.endsWith('\n'), 'the last line must end with a line feed')
  const families = new Map<string, Family>()
  let current: Family | null = null
  for (const line of text.split('\n').slice(0, -1)) {
    if (line === '') continue
    const comment = /^# (HELP|TYPE) (\S+) (.*)$/.exec(line)
    if (comment) {
      const [, kind, name, rest] = comment as unknown as [string, string, string, string]
      demand(NAME.test(name), `name: ${name}`)
      if (kind === 'HELP') {
        demand(!families.has(name), `one group for each metric: ${name}`)
        demand(!/\\(?![\\n])/.test(rest), `escapes of the help: ${rest}`)
        current = { name, type: '', help: rest, samples: [] }
        families.set(name, current)
      } else {
        demand(TYPES.includes(rest), `type: ${rest}`)
        demand(
          current?.name === name && current.type === '' && current.samples.length === 0,
          `TYPE before samples: ${name}`,
        )
        current.type = rest
      }
      continue
    }
    demand(!line.startsWith('#'), `comment: ${line}`)
    const sample = /^([^\s{]+)(?:\{(.*)\})? (\S+)$/.exec(line)
    demand(sample !== null, `line: ${line}`)
    const [, name, labels = '', value] = sample as unknown as [string, string, string | undefined, string]
    demand(NAME.test(name) && VALUE.test(value), `line: ${line}`)
    const base: string = current?.type === 'histogram' ? name.replace(/_(bucket|sum|count)$/, '') : name
    demand(current !== null && base === current.name, `group of ${name}`)
    current.samples.push({ name, labels: readLabels(labels), value: Number(value.replace(/Inf$/, 'Infinity')) })
  }
  for (const family of families.values()) checkFamily(family)
  return [...families.values()]
}

function checkFamily({ name, type, samples }: Family): void {
  demand(type !== '', `no type: ${name}`)
  const keys = samples.map((sample) => JSON.stringify([sample.name, Object.entries(sample.labels).sort()]))
  demand(new Set(keys).size === keys.length, `the same series twice: ${name}`)
  if (type === 'counter')
    demand(
      samples.every(({ value }) => value >= 0),
      `a counter below 0: ${name}`,
    )
  if (type === 'histogram') checkHistogram(name, samples)
}

/** Buckets are cumulative, the last one is +Inf and equals the count. */
function checkHistogram(name: string, samples: Sample[]): void {
  const series = new Map<string, Sample[]>()
  for (const sample of samples) {
    const { le: _le, ...rest } = sample.labels
    const key = JSON.stringify(Object.entries(rest).sort())
    series.set(key, [...(series.get(key) ?? []), sample])
  }
  for (const all of series.values()) {
    const buckets = all.filter((sample) => sample.name === `${name}_bucket`)
    const bounds = buckets.map(({ labels }) => Number((labels.le ?? '').replace('+Inf', 'Infinity')))
    demand(
      bounds.every((bound, place) => place === 0 || bound > bounds[place - 1]!),
      `order of buckets: ${name}`,
    )
    demand(bounds.at(-1) === Infinity, `no +Inf: ${name}`)
    demand(
      buckets.every(({ value }, place) => place === 0 || value >= buckets[place - 1]!.value),
      `not cumulative: ${name}`,
    )
    const count = all.find((sample) => sample.name === `${name}_count`)
    demand(count?.value === buckets.at(-1)!.value, `count and +Inf differ: ${name}`)
    demand(
      all.some((sample) => sample.name === `${name}_sum`),
      `no sum: ${name}`,
    )
  }
}

/** Units that are no base units, and what says twice what the type or the labels say. */
const NOT_BASE = /_(milliseconds|microseconds|ms|minutes|hours|days|kilobytes|megabytes|kib|mib|bits|percent)(_|$)/
const COUNTS_OF = /_(seconds|bytes|total|info)$/

/** Faults by the naming conventions. */
export function namingFaults(families: readonly Family[]): string[] {
  return families.flatMap(({ name, type, help, samples }) => [
    ...(/^(firmhand|process)_[a-z0-9_]+$/.test(name) ? [] : [`${name}: a prefix of the application, snake_case`]),
    ...(type === 'counter' && !name.endsWith('_total') ? [`${name}: a counter ends with _total`] : []),
    ...(type !== 'counter' && name.endsWith('_total') ? [`${name}: only counters end with _total`] : []),
    ...(/_(count|sum|bucket)$/.test(name) ? [`${name}: reserved for histograms and summaries`] : []),
    ...(NOT_BASE.test(name) ? [`${name}: not a base unit`] : []),
    ...(/_(counter|gauge|histogram|metric)(_|$)/.test(name) ? [`${name}: the type is no part of a name`] : []),
    ...(/(age|delay|duration|time)$/.test(name) && !COUNTS_OF.test(name) ? [`${name}: without its unit`] : []),
    ...(help.trim() === '' ? [`${name}: without help`] : []),
    ...(type !== 'histogram' && samples.some(({ labels }) => 'le' in labels) ? [`${name}: le is for histograms`] : []),
    ...samples
      .flatMap(({ labels }) => Object.keys(labels))
      .filter((label) => !/^[a-z][a-z0-9_]*$/.test(label))
      .map((label) => `${name}: label ${label}`),
  ])
}
