import fc from 'fast-check'
import semver from 'semver'
import { describe, expect, it } from 'vitest'
import {
  compareVersions,
  isSemver,
  normaliseVersion,
  sameVersion,
  VERSION_CHARS_MAX,
  versionFault,
} from '../../src/versions/version.js'
import { loadVectors } from '../support/vectors.js'

interface Vector {
  id: string
  kind: string
  version?: string
  versions?: string[]
  expect?: 'valid' | 'invalid'
}
const { vectors } = loadVectors<Vector>('semver')
const of = (kind: string) => vectors.filter((vector) => vector.kind === kind)
const SEMVER = { scheme: 'semver' } as const
const LISTED = { scheme: 'listed' } as const

// The debian_* vectors are left out: a model's versions compare as listed or by SemVer, and by no third rule.
describe('semver against Semantic Versioning 2.0.0', () => {
  it.each(of('syntax'))('$id: $version', ({ version, expect: expected }) => {
    expect(isSemver(version!)).toBe(expected === 'valid')
    expect(compareVersions(SEMVER, version!, '1.0.0') === null).toBe(expected === 'invalid')
    expect(compareVersions(SEMVER, '1.0.0', version!) === null).toBe(expected === 'invalid')
  })

  it.each(of('precedence_chain_lowest_first'))('$id', ({ versions }) => {
    for (const [i, a] of versions!.entries()) {
      for (const [j, b] of versions!.entries()) expect(compareVersions(SEMVER, a, b)).toBe(Math.sign(i - j))
    }
  })

  it.each(of('equal_precedence'))('$id', ({ versions }) => {
    for (const a of versions!) for (const b of versions!) expect(compareVersions(SEMVER, a, b)).toBe(0)
  })

  it('compares numbers beyond a double by their digits (§11.4.1)', () => {
    expect(compareVersions(SEMVER, '1.0.99999999999999999999998', '1.0.99999999999999999999999')).toBe(-1)
    expect(compareVersions(SEMVER, '1.0.100000000000000000000', '1.0.99999999999999999999')).toBe(1)
  })

  it('agrees with the npm package on any pair within its range', () => {
    const number = fc.nat(30).map(String)
    const identifier = fc.oneof(number, fc.stringMatching(/^[0-9]{0,2}[a-zA-Z-][0-9a-zA-Z-]{0,3}$/))
    const tail = fc.array(identifier, { minLength: 1, maxLength: 3 }).map((list) => list.join('.'))
    const core = fc.tuple(number, number, number).map((list) => list.join('.'))
    const version = fc
      .tuple(core, fc.option(tail), fc.option(tail))
      .map(([base, pre, build]) => base + (pre === null ? '' : `-${pre}`) + (build === null ? '' : `+${build}`))
    fc.assert(
      fc.property(version, version, (a, b) => {
        expect(compareVersions(SEMVER, a, b)).toBe(semver.compare(a, b))
      }),
      { numRuns: 500 },
    )
  })
})

describe('listed versions', () => {
  it('have no order of their own: only the same is the same', () => {
    expect(compareVersions(LISTED, '1.0.0', '1.0.1')).toBeNull()
    expect(compareVersions(LISTED, '1.0.0', '1.0.0+a')).toBeNull()
    expect(compareVersions(LISTED, ' fw  A\0', 'fw A')).toBe(0)
  })
})

describe('what a unit reports', () => {
  it('loses NULs and surplus white space, and keeps its case', () => {
    expect(normaliseVersion('\0 V1.2\0.3 \r\n\t rel\u00a0 B \0\0')).toBe('V1.2.3 rel B')
    expect(sameVersion('V1.2 B\0', ' V1.2  B')).toBe(true)
    expect(sameVersion('V1.2', 'v1.2')).toBe(false)
    expect(sameVersion('1.0', '1.00')).toBe(false)
    fc.assert(
      fc.property(fc.string({ unit: 'binary' }), (text) => {
        const once = normaliseVersion(text)
        expect(normaliseVersion(once)).toBe(once)
      }),
    )
  })

  const faults: [string, string | null][] = [
    ['', 'version-empty'],
    [' \0\r\n', 'version-empty'],
    ['x'.repeat(VERSION_CHARS_MAX), null],
    [`  ${'x'.repeat(VERSION_CHARS_MAX)}\0`, null],
    ['x'.repeat(VERSION_CHARS_MAX + 1), 'version-too-long'],
    ['1.0\u0007', 'version-characters'],
    ['1.0\ud83d', 'version-characters'],
    ['1.0 \u{1f4f7} Ü', null],
  ]
  it.each(faults)('%j: %s', (text, fault) => expect(versionFault(text)).toBe(fault))
})
