// What a scraper gets: by the rules of the format and of names, with true numbers, and nothing that is nobody's business.
import { randomBytes } from 'node:crypto'
import { readFileSync } from 'node:fs'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { VERSION } from '../../src/config.js'
import { METRICS, type MetricDefinition } from '../../src/metrics/catalogue.js'
import { prepare, startTestApp, type TestApp, until } from '../support/app.js'
import { ExpositionFault, type Family, namingFaults, readExposition } from './exposition.js'

let test: TestApp
beforeAll(async () => {
  test = await startTestApp()
})
afterAll(() => test.stop())

const scrape = (key: string | null = test.keys.auditor) =>
  fetch(`${test.officeUrl}/metrics`, { headers: key === null ? {} : { authorization: `Bearer ${key}` } })
async function families(): Promise<Map<string, Family>> {
  return new Map(readExposition(await (await scrape()).text()).map((family) => [family.name, family]))
}
async function numberOf(name: string, labels: Record<string, string> = {}): Promise<number | undefined> {
  const found = (await families()).get(name)?.samples
  return found?.find((sample) => JSON.stringify(sample.labels) === JSON.stringify(labels))?.value
}

describe('the page', () => {
  it('keeps to the text format and to the conventions of names', async () => {
    const answer = await scrape()
    expect(answer.headers.get('content-type')).toBe('text/plain; version=0.0.4; charset=utf-8')
    const found = readExposition(await answer.text())
    expect(namingFaults(found)).toEqual([])
    expect(found.length).toBeGreaterThan(20)
  })

  it('has every metric of the catalogue with its type and labels, and no other', async () => {
    const found = await families()
    for (const [name, family] of found) {
      const definition: MetricDefinition | undefined = METRICS[name as keyof typeof METRICS]
      expect(definition, name).toBeDefined()
      expect(family.type, name).toBe(definition!.type)
      for (const { labels } of family.samples) {
        const { le: _le, ...rest } = labels
        expect(Object.keys(rest).sort(), name).toEqual([...(definition!.labels ?? [])].sort())
      }
    }
    // No task has ended yet, so there is no series of it.
    expect(Object.keys(METRICS).filter((name) => !found.has(name))).toEqual(['firmhand_tasks_closed'])
    for (const thread of ['main', 'writer', 'public']) expect(await numberOf('firmhand_thread_up', { thread })).toBe(1)
  })

  it('is for keys that may read', async () => {
    expect((await scrape(null)).status).toBe(401)
    expect((await scrape(test.keys['check-in'])).status).toBe(403)
    for (const role of ['integrator', 'operator', 'auditor'] as const)
      expect((await scrape(test.keys[role])).status).toBe(200)
    expect((await fetch(`${test.publicUrl}/metrics`)).status).toBe(404)
  })

  it('names the release that package.json names', () => {
    expect(JSON.parse(readFileSync(new URL('../../package.json', import.meta.url), 'utf8')).version).toBe(VERSION)
  })
})

describe('the numbers', () => {
  it('follow downloads, check-ins and tasks, and give no secret and no identity away', async () => {
    const bytes = randomBytes(300_000)
    const { packageId, imeis } = await prepare(test, { bytes, units: 2 })
    const issued = await test.call('POST', '/tasks', { units: imeis, package: packageId })
    const [first, second] = issued.body.tasks
    const url = new URL(first.link.url)
    expect((await (await fetch(url)).arrayBuffer()).byteLength).toBe(bytes.length)
    expect((await fetch(url, { headers: { range: 'bytes=0-99' } })).status).toBe(206)
    expect((await fetch(`${test.publicUrl}/d/2222222222222222/x`)).status).toBe(404)
    await test.call('POST', '/check-ins', [
      { unit: imeis[0], version: '1.0.0', id: 'a' },
      { unit: imeis[0], version: '1.0.0', id: 'a' },
      { unit: 'nobody-knows-it', version: '1.0.0' },
      { unit: imeis[0], version: '' },
    ])
    await test.call('POST', `/tasks/${second.id}/cancel`, { reason: 'words of a person' })

    expect(await numberOf('firmhand_download_requests_total', { status: '200' })).toBe(1)
    expect(await numberOf('firmhand_download_requests_total', { status: '206' })).toBe(1)
    expect(await numberOf('firmhand_download_requests_total', { status: '404' })).toBe(1)
    expect(await numberOf('firmhand_download_sent_bytes_total')).toBe(300_100)
    // As far as the kernel's table can be read here, which is Linux.
    if (process.platform === 'linux') {
      await until(
        () => numberOf('firmhand_download_acknowledged_bytes_total'),
        (value) => value === 300_100,
      )
      expect(await numberOf('firmhand_download_responses_ended_total', { cause: 'complete' })).toBe(2)
    }
    for (const [result, count] of Object.entries({ accepted: 1, duplicate: 1, 'unit-unknown': 1, 'version-empty': 1 }))
      expect(await numberOf('firmhand_checkins_total', { result }), result).toBe(count)
    expect(await numberOf('firmhand_write_batch_seconds_count')).toBeUndefined() // A sample of a histogram, no metric.
    expect(await numberOf('firmhand_audit_last_seq')).toBe((await test.call('GET', '/audit/head')).body.seq)

    const text = await (await scrape()).text()
    const token = url.pathname.split('/')[2]!
    for (const secret of [...Object.values(test.keys), token, ...imeis, first.id, packageId, 'words of a person'])
      expect(text.includes(secret)).toBe(false)
  })

  it('of the database are counted again when they are old, and not at every scrape', async () => {
    const restarted = await startTestApp({ settings: { FIRMHAND_METRICS_OPEN: 'true' } })
    const read = async () => readExposition(await (await fetch(`${restarted.officeUrl}/metrics`)).text())
    const number = (all: Family[], name: string) => all.find((family) => family.name === name)?.samples[0]?.value
    const before = await read() // Without a key: the setting is on.
    expect(number(before, 'firmhand_units')).toBe(0)
    await prepare(restarted, { bytes: randomBytes(1000), units: 3 })
    const soon = await read()
    expect(number(soon, 'firmhand_units')).toBe(0)
    expect(number(soon, 'firmhand_counts_age_seconds')).toBeGreaterThan(0)
    await restarted.restart()
    const after = await read()
    expect(number(after, 'firmhand_units')).toBe(3)
    expect(number(after, 'firmhand_stored_bytes')).toBe(1000)
    await restarted.stop()
  })
})

describe('the checks themselves find what is wrong', () => {
  const GOOD = '# HELP firmhand_a_total A.\n# TYPE firmhand_a_total counter\nfirmhand_a_total{x="1"} 2\n'
  it('and let pass what is right', () => {
    expect(readExposition(GOOD)).toHaveLength(1)
    expect(namingFaults(readExposition(GOOD))).toEqual([])
  })
  it.each([
    ['no line feed at the end', GOOD.trimEnd()],
    ['a name with a dash', GOOD.replaceAll('_a_', '-a-')],
    ['a series twice', `${GOOD}firmhand_a_total{x="1"} 3\n`],
    [
      'a group in two places',
      `${GOOD}# HELP firmhand_b B.\n# TYPE firmhand_b gauge\nfirmhand_b 1\nfirmhand_a_total{x="2"} 1\n`,
    ],
    ['an unescaped quote', GOOD.replace('"1"', '"1"2"')],
    ['no value', GOOD.replace('} 2', '} ')],
    ['a value that is none', GOOD.replace('} 2', '} two')],
    ['a counter below 0', GOOD.replace('} 2', '} -2')],
    ['a type that is none', GOOD.replace(' counter', ' number')],
    [
      'buckets that are not cumulative',
      '# HELP h H.\n# TYPE h histogram\nh_bucket{le="1"} 3\nh_bucket{le="+Inf"} 2\nh_sum 1\nh_count 2\n',
    ],
    ['a histogram without +Inf', '# HELP h H.\n# TYPE h histogram\nh_bucket{le="1"} 3\nh_sum 1\nh_count 3\n'],
  ])('%s', (_what, text) => {
    expect(() => readExposition(text)).toThrow(ExpositionFault)
  })
  it.each([
    ['firmhand_a', 'counter'],
    ['firmhand_a_total', 'gauge'],
    ['firmhand_wait_milliseconds', 'gauge'],
    ['firmhand_wait_duration', 'gauge'],
    ['firmhand_a_count', 'gauge'],
    ['firmhandWait', 'gauge'],
    ['a_seconds', 'gauge'],
  ])('the name %s of a %s', (name, type) => {
    expect(namingFaults([{ name, type, help: 'A.', samples: [] }])).not.toEqual([])
  })
})

describe('docs/metrics.md', () => {
  const text = readFileSync(new URL('../../docs/metrics.md', import.meta.url), 'utf8')
  it('lists every metric with its type, labels and meaning, and no other', () => {
    const rows = [...text.matchAll(/^\| `(\w+)` *\| (\w+) *\| (.*?) *\| (.*?) *\|$/gm)].map((match) => match.slice(1))
    const wanted = Object.entries(METRICS).map(([name, given]) => {
      const { type, help, labels = [] }: MetricDefinition = given
      return [name, type, labels.map((label) => `\`${label}\``).join(' '), help.replaceAll('|', '\\|')]
    })
    expect(rows).toEqual(wanted)
  })
  it('asks in its alerts for nothing that is not there', () => {
    for (const [, name] of text.matchAll(/\b((?:firmhand|process)_\w+)/g)) {
      expect(Object.keys(METRICS)).toContain(name!.replace(/_(bucket|sum|count)$/, ''))
    }
  })
})
