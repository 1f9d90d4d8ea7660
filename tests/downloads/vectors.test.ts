// The published rules on the wire: every vector of tests/vectors is asked on a bare socket, the bytes are compared.
// Where we answer otherwise on purpose, tests/vectors/intended-differences.json says so; any other difference fails, and
// so does a listed one that is none any more.
import { readFileSync } from 'node:fs'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { etagOf } from '../../src/downloads/download-plan.js'
import { openRaw, type RawResponse } from '../support/raw-http.js'
import {
  type ByteServer,
  FILE_NAME,
  fileOf,
  pathOf,
  patternBytes,
  patternFile,
  type Stored,
  startByteServer,
} from './byte-server.js'

const load = (name: string) => JSON.parse(readFileSync(new URL(`../vectors/${name}`, import.meta.url), 'utf8'))

interface Difference {
  file: string
  id: string
  ours: string
  why: string
}

// biome-ignore lint/suspicious/noExplicitAny: the vectors have members of many shapes.
type Vector = any

const intended: Difference[] = load('intended-differences.json')
const intendedFor = (file: string, id: string): string | null =>
  intended.find((one) => one.file === file && one.id === id)?.ours ?? null

/** 16 signs of the token alphabet, one for each vector. */
const tokenOf = (place: number): string =>
  `${'a'.repeat(14)}${'23456789abcdefgh'[place >> 4]}${'23456789abcdefgh'[place % 16]}`

let server: ByteServer
beforeAll(async () => {
  server = await startByteServer()
})
afterAll(() => server.stop())

interface Asked {
  response: RawResponse
  closes: boolean
  token: string
}

async function ask(of: { place: number; file: Stored; request: Vector; name?: string }): Promise<Asked> {
  const { request } = of
  const token = tokenOf(of.place)
  server.addLink(token, of.file, { byteBudgetBytes: Number.MAX_SAFE_INTEGER })
  const version = request.http_version ?? '1.1'
  const lines = [`${request.method} ${pathOf(token, of.name ?? FILE_NAME)} HTTP/${version}`]
  if (request.host !== false) lines.push('Host: example.test')
  for (const [name, value] of Object.entries<string>(request.headers ?? {})) {
    lines.push(`${name}: ${value.replaceAll('"a1b2"', etagOf(of.file.sha256))}`)
  }
  const client = await openRaw(server)
  client.send(`${lines.join('\r\n')}\r\n\r\n${request.body ?? ''}`)
  const response = await client.response({ bodyless: request.method === 'HEAD' })
  // Whether the connection is kept shows in a second request on it.
  client.send(`HEAD ${pathOf(token)} HTTP/1.1\r\n\r\n`)
  const closes = await client.response({ bodyless: true }).then(
    () => false,
    () => true,
  )
  client.destroy()
  return { response, closes, token }
}

/** Checks that hold for each answer of the byte server, whatever was asked (domain.md, "Links"). */
function checkAlways(response: RawResponse): void {
  expect(response.field('Transfer-Encoding')).toBeUndefined()
  expect(response.field('Date')).toMatch(/^\w{3}, \d{2} \w{3} \d{4} \d{2}:\d{2}:\d{2} GMT$/)
  if (response.status === 200 || response.status === 206) {
    const names = response.fields.map(([name]) => name)
    for (const name of ['Content-Length', 'Content-Type', 'Accept-Ranges', 'ETag', 'Last-Modified', 'Repr-Digest']) {
      expect(names).toContain(name)
    }
    expect(response.field('Content-Type')).toBe('application/octet-stream')
    expect(response.field('Cache-Control')).toBe('no-transform, no-store')
  } else {
    expect(response.body.length).toBe(0)
    // RFC 9110 §8.6: a 304 may carry only the length that a 200 would have.
    expect(response.field('Content-Length')).toBe(response.status === 304 ? undefined : '0')
  }
}

describe('http-ranges.json', () => {
  const file = 'http-ranges.json'
  const vectors: Vector[] = load(file).vectors
  /** These speak of a client, not of a server's answer. */
  const NOT_ASKED = ['fixed-length-incomplete']

  /** What a vector leaves to the reader is filled in here; the rest is sent as it stands. */
  function requestOf(vector: Vector): Vector {
    const request = { method: 'GET', headers: {}, ...vector.request }
    if (request.headers_recipe) {
      const ranges = Array.from({ length: 200 }, (_, i) => 3 * (199 - i)).map((at) => `${at}-${at}`)
      request.headers = { Range: `bytes=${ranges.join(',')}` }
    }
    if (vector.id === '206-required-fields') request.headers = { Range: 'bytes=1-', 'If-Range': '"a1b2"' }
    if (vector.id === 'content-range-in-request') {
      request.headers = { ...request.headers, 'Content-Length': '5' }
      request.body = 'hello'
    }
    if (request.headers['Transfer-Encoding']) request.body = '5\r\nhello\r\n0\r\n\r\n'
    if (vector.id.includes('no-host') || request.http_version === '1.0') request.host = false
    return request
  }

  function differences(vector: Vector, stored: Stored, { response, closes }: Asked): string[] {
    const { expected } = vector
    const found: string[] = []
    const wanted = (holds: boolean, ours: string): void => {
      if (!holds) found.push(ours)
    }
    const { status } = response
    const alternatives = (vector.also_allowed ?? []).filter((one: Vector) => !one.as).map((one: Vector) => one.status)
    if (expected.status !== undefined && status !== expected.status && alternatives.includes(status)) {
      // An allowed alternative has to be whole in itself.
      if (status === 200) wanted(response.body.length === stored.sizeBytes, 'a 200 that is not the whole file')
      return found
    }
    if (expected.status !== undefined) wanted(status === expected.status, String(status))
    if (expected.status_any_of) wanted(expected.status_any_of.includes(status), String(status))
    if (expected.status_must_not_be) wanted(!expected.status_must_not_be.includes(status), String(status))
    if (expected.range_ignored) wanted(response.field('Content-Range') === undefined, 'Content-Range')
    if ('content_range' in expected) {
      wanted((response.field('Content-Range') ?? null) === expected.content_range, `${response.field('Content-Range')}`)
    }
    if (expected.content_length !== undefined) {
      wanted(
        response.field('Content-Length') === String(expected.content_length),
        `${response.field('Content-Length')}`,
      )
    }
    if (expected.body_spans && found.length === 0) {
      const parts = expected.body_spans.map(([first, last]: [number, number]) => patternBytes(first, last))
      wanted(Buffer.concat(parts).equals(response.body), 'other bytes')
    }
    if (expected.accept_ranges) wanted(response.field('Accept-Ranges') === expected.accept_ranges, 'no Accept-Ranges')
    if (expected.content_length_required || expected.content_length_required_for_progress) {
      wanted(response.field('Content-Length') !== undefined, 'no Content-Length')
    }
    if (expected.connection_after_response === 'closes' || expected.treat_as) wanted(closes, 'kept open')
    if (expected.must_not?.includes('1xx')) wanted(status >= 200, String(status))
    if (expected.must_repeat_if_200_would_have_them) {
      for (const name of ['Date', 'Cache-Control', 'ETag']) wanted(response.field(name) !== undefined, `no ${name}`)
      const others = ['Content-Type', 'Last-Modified', 'Repr-Digest'].filter((name) => response.field(name))
      wanted(others.length === 0, 'Content-Type, Last-Modified and Repr-Digest also on a 206 to If-Range')
    }
    return found
  }

  it.each(
    vectors.filter((vector) => !NOT_ASKED.includes(vector.id)).map((vector, place) => [vector.id, vector, place]),
  )('%s', async (id, vector, place) => {
    const stored = patternFile(vector.representation_length ?? vector.request?.representation_length ?? 10_000)
    // The worked multipart example has an alphabet for a file; ours is as long, and the answer is 200, whole.
    const asked = await ask({ place, file: stored, request: requestOf(vector) })
    checkAlways(asked.response)
    expect(differences(vector, stored, asked).join(', ') || null).toBe(intendedFor(file, id))
  })

  it('leaves out no vector but those that ask a server nothing', () => {
    expect(
      vectors.filter((vector) => !vector.request && vector.id !== '206-required-fields').map(({ id }) => id),
    ).toEqual(NOT_ASKED)
  })
})

describe('digest-fields.json', () => {
  const file = 'digest-fields.json'
  const vectors: Vector[] = load(file).vectors
  const asked = vectors.filter((vector) => vector.request && vector.response && vector.repr_digest)

  it.each(asked.map((vector, place) => [vector.id, vector, place]))('%s', async (id, vector, place) => {
    const text = vector.representation?.body_utf8 ?? vector.response.body_utf8
    const bytes = text === undefined ? Buffer.from(Array.from({ length: 256 }, (_, i) => i)) : Buffer.from(text)
    const headers = vector.request.range ? { Range: vector.request.range } : {}
    const { response } = await ask({ place: 100 + place, file: fileOf(bytes), request: { ...vector.request, headers } })
    checkAlways(response)
    expect(response.status).toBe(vector.response.status)
    // As a structured-field dictionary of one byte sequence; ours has one spelling.
    expect(response.field('Repr-Digest')).toBe(vector.repr_digest)
    const ours = response.field('Content-Digest') === vector.content_digest ? null : 'no Content-Digest'
    expect(ours).toBe(intendedFor(file, id))
  })

  it('a wish for another algorithm is no error (RFC 9530 §4), and an error answer has no digest of the file', async () => {
    const request = { method: 'GET', headers: { 'Want-Repr-Digest': 'sha=10' } }
    const wished = await ask({ place: 200, file: patternFile(10), request })
    expect(wished.response.field('Repr-Digest')).toMatch(/^sha-256=:/)
    const wrong = await ask({ place: 201, file: patternFile(10), request, name: 'other.bin' })
    expect([wrong.response.status, wrong.response.field('Repr-Digest')]).toEqual([404, undefined])
  })
})

it('every intended difference names a vector that is there', () => {
  const here = intended.filter(({ file }) => ['http-ranges.json', 'digest-fields.json'].includes(file))
  const known = here.filter(({ file, id }) => load(file).vectors.some((vector: Vector) => vector.id === id))
  expect(known).toEqual(here)
})
