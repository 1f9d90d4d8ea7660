// The doctor's rules as a table: facts that are in order, one of them changed, and what is said then. Thresholds are ours;
// where a number is somebody else's, its source stands beside it.
import { describe, expect, it } from 'vitest'
import { kindOf, readPeer } from '../../src/doctor/address.js'
import type { Finding } from '../../src/doctor/finding.js'
import { judge } from '../../src/doctor/judge.js'
import { judgeDatabase } from '../../src/doctor/judge-database.js'
import { judgeFolder } from '../../src/doctor/judge-folder.js'
import { judgeListener, judgeServer } from '../../src/doctor/judge-listeners.js'
import { judgeMachine } from '../../src/doctor/judge-machine.js'
import { judgePeers } from '../../src/doctor/judge-peers.js'
import { judgePublicUrl, type WireProbe } from '../../src/doctor/judge-public-url.js'

const GIB = 1024 ** 3
const NOW = Date.UTC(2026, 5, 1)

const machine = {
  platform: 'linux',
  nodeVersion: 'v20.19.0',
  timeZones: true,
  nowMs: NOW,
  newestAuditAtMs: (NOW - 1000) as number | null,
  clockSynchronised: true as boolean | null,
  openFiles: { limit: 20_000, of: 'server' as 'server' | 'shell' } as { limit: number; of: 'server' | 'shell' } | null,
  sendBufferMaxBytes: 262_144 as number | null,
  memoryBytes: 4 * GIB,
  kernelTable: true,
}
const folder = {
  path: '/srv/data',
  kind: 'folder' as 'folder' | 'other' | null,
  mode: 0o40700,
  ownerId: 1000,
  userId: 1000 as number | null,
  writable: true,
  secret: { mode: 0o100600, readable: true, valid: true } as { mode: number; readable: boolean; valid: boolean } | null,
  databaseMode: 0o100600 as number | null,
  fileSystem: { name: 'XFS', isNetwork: false, isVolatile: false } as {
    name: string
    isNetwork: boolean
    isVolatile: boolean
  } | null,
  disk: { freeBytes: 50 * GIB, freeInodes: 1e6, inodes: 2e6 } as {
    freeBytes: number
    freeInodes: number
    inodes: number
  } | null,
  largestPackageBytes: (60 * 1024 ** 2) as number | null,
  leftovers: { files: 0, bytes: 0 },
  isRunning: true,
}
const database = {
  state: 'open' as 'open' | { failed: string } | null,
  quickCheck: ['ok'],
  applied: ['0001_a', '0002_b'],
  known: ['0001_a', '0002_b'],
  audit: { seq: 9, atMs: NOW } as { seq: number; atMs: number } | null,
}
const MARK = 'aa11'
const head = (change: { status?: string; fields?: string[] } = {}): string =>
  [
    `HTTP/1.1 ${change.status ?? '404 Not Found'}`,
    ...(change.fields ?? [
      'Content-Length: 0',
      'Firmhand-Peer: 198.51.100.7:40001',
      `Firmhand-Start: ${MARK}`,
      'Cache-Control: no-transform, no-store',
      'Date: Mon, 01 Jun 2026 00:00:00 GMT',
      'Connection: close',
    ]),
  ].join('\r\n')
const probe = (outcome: Partial<Extract<WireProbe['outcome'], { kind: 'answered' }>> = {}): WireProbe => ({
  family: 4,
  address: '203.0.113.4',
  outcome: {
    kind: 'answered',
    head: head(),
    bodyBytes: 0,
    local: { address: '198.51.100.7', port: 40_001 },
    ...outcome,
  },
})
const publicUrl = {
  url: 'http://fw.example.com' as string | null,
  addresses: ['203.0.113.4'] as string[] | null,
  probes: [probe()],
  behindProxy: false,
  mark: MARK as string | null,
  ownAddresses: ['198.51.100.7'],
}
const peers = {
  links: 40,
  peers: [
    { address: '203.0.113.9', links: 20 },
    { address: '203.0.113.10', links: 20 },
  ],
  behindProxy: false,
  publicAddresses: ['203.0.113.4'],
}
const listener = { name: 'public' as const, setting: 'FIRMHAND_PUBLIC_LISTEN', address: '[::]:80', port: 80 }

const gradeOf = (findings: Finding[], check: string): string | undefined =>
  findings.find((finding) => finding.check === check)?.grade

it('finds nothing wrong where nothing is, and names every check once', () => {
  const findings = judge({
    machine,
    folder,
    database,
    server: { isRunning: true, pid: 7, sameSettings: true },
    listeners: [{ ...listener, outcome: { kind: 'this-server' } }],
    publicUrl,
    peers,
  })
  expect(findings.filter(({ grade }) => grade !== 'ok')).toEqual([])
  expect(new Set(findings.map(({ check }) => check)).size).toBe(findings.length)
  for (const { text } of findings) expect(text).toMatch(/\.$/)
})

describe('the machine', () => {
  it.each([
    ['node', { nodeVersion: 'v20.18.9' }, 'fault'],
    ['node', { nodeVersion: 'v18.20.0' }, 'fault'],
    ['node', { nodeVersion: 'v24.1.0' }, 'ok'],
    ['time-zones', { timeZones: false }, 'fault'],
    ['clock', { newestAuditAtMs: NOW + 60_000 }, 'fault'],
    ['clock', { newestAuditAtMs: NOW + 1000 }, 'ok'],
    ['clock', { newestAuditAtMs: null }, 'unknown'],
    ['clock-source', { clockSynchronised: false }, 'caution'],
    ['clock-source', { clockSynchronised: null }, 'unknown'],
    ['open-files', { openFiles: { limit: 1024, of: 'server' as const } }, 'fault'],
    ['open-files', { openFiles: { limit: 1024, of: 'shell' as const } }, 'caution'],
    ['open-files', { openFiles: { limit: 10_000, of: 'server' as const } }, 'caution'],
    ['open-files', { openFiles: null }, 'unknown'],
    ['kernel-table', { kernelTable: false }, 'caution'],
    ['kernel-table', { kernelTable: false, platform: 'darwin' }, 'caution'],
    ['send-buffers', { sendBufferMaxBytes: 4_194_304 }, 'caution'],
    ['send-buffers', { sendBufferMaxBytes: 4_194_304, memoryBytes: 64 * GIB }, 'ok'],
    ['send-buffers', { sendBufferMaxBytes: null }, 'unknown'],
  ])('%s %j: %s', (check, change, grade) => {
    expect(gradeOf(judgeMachine({ ...machine, ...change }), check)).toBe(grade)
  })
})

describe('the data folder', () => {
  it.each([
    ['data-folder', { kind: null }, 'fault'],
    ['data-folder', { kind: 'other' as const }, 'fault'],
    ['data-folder', { writable: false }, 'fault'],
    ['data-folder', { userId: 0 }, 'caution'],
    ['data-folder', { userId: null }, 'ok'],
    ['permissions', { mode: 0o40705 }, 'fault'],
    ['permissions', { mode: 0o40750 }, 'caution'],
    ['permissions', { databaseMode: 0o100644 }, 'caution'],
    ['secret', { secret: null }, 'fault'],
    ['secret', { secret: null, databaseMode: null }, 'ok'],
    ['secret', { secret: { mode: 0o100600, readable: true, valid: false } }, 'fault'],
    ['secret', { secret: { mode: 0o100640, readable: true, valid: true } }, 'fault'],
    ['secret', { secret: { mode: 0o100600, readable: false, valid: false } }, 'fault'],
    ['file-system', { fileSystem: { name: 'NFS', isNetwork: true, isVolatile: false } }, 'fault'],
    ['file-system', { fileSystem: { name: 'tmpfs', isNetwork: false, isVolatile: true } }, 'caution'],
    ['file-system', { fileSystem: null }, 'unknown'],
    ['disk-space', { disk: { freeBytes: 100 * 1024 ** 2, freeInodes: 1e6, inodes: 2e6 } }, 'fault'],
    ['disk-space', { disk: { freeBytes: GIB, freeInodes: 1e6, inodes: 2e6 } }, 'caution'],
    ['disk-space', { largestPackageBytes: 30 * GIB }, 'caution'],
    ['disk-space', { disk: null }, 'unknown'],
    ['disk-inodes', { disk: { freeBytes: 50 * GIB, freeInodes: 3, inodes: 2e6 } }, 'fault'],
    ['disk-inodes', { disk: { freeBytes: 50 * GIB, freeInodes: 0, inodes: 0 } }, 'ok'], // Btrfs counts none.
    ['leftovers', { leftovers: { files: 2, bytes: 9 }, isRunning: false }, 'caution'],
    ['leftovers', { leftovers: { files: 2, bytes: 9 }, isRunning: true }, 'ok'],
  ])('%s %j: %s', (check, change, grade) => {
    expect(gradeOf(judgeFolder({ ...folder, ...change }), check)).toBe(grade)
  })
})

describe('the database', () => {
  it.each([
    ['database', { state: null }, 'unknown'],
    ['database', { state: { failed: 'file is not a database' } }, 'fault'],
    ['database', { quickCheck: ['row 3 missing from index x'] }, 'fault'],
    ['database', { quickCheck: [] }, 'fault'],
    ['schema', { applied: ['0001_a'] }, 'caution'],
    ['schema', { applied: ['0001_a', '0002_b', '0009_z'] }, 'fault'],
    ['audit', { audit: null }, 'unknown'],
  ])('%s %j: %s', (check, change, grade) => {
    expect(gradeOf(judgeDatabase({ ...database, ...change }), check)).toBe(grade)
  })
})

describe('the listeners', () => {
  it.each([
    [{ kind: 'free' }, 'ok'],
    [{ kind: 'stranger' }, 'fault'],
    [{ kind: 'silent', reason: 'ECONNREFUSED' }, 'fault'],
    [{ kind: 'taken', by: 'cupsd (process 7)' }, 'fault'],
    [{ kind: 'taken', by: null }, 'fault'],
    [{ kind: 'not-allowed' }, 'fault'],
    [{ kind: 'no-such-address' }, 'fault'],
    [{ kind: 'failed', reason: 'x' }, 'fault'],
  ] as const)('%j: %s', (outcome, grade) => {
    const finding = judgeListener({ ...listener, outcome })
    expect(finding.grade).toBe(grade)
    if (outcome.kind === 'taken' && outcome.by) expect(finding.text).toContain(outcome.by)
    if (grade === 'fault') expect(finding.remedy).toMatch(/\.$/)
  })
  it.each([
    [{ isRunning: false, pid: null, sameSettings: true }, 'ok'],
    [{ isRunning: null, pid: null, sameSettings: true }, 'unknown'],
    [{ isRunning: true, pid: null, sameSettings: true }, 'unknown'],
    [{ isRunning: true, pid: 7, sameSettings: false }, 'caution'],
  ])('a server %j: %s', (facts, grade) => {
    expect(judgeServer(facts).grade).toBe(grade)
  })
})

describe('the public address', () => {
  const fields = (...lines: string[]) => probe({ head: head({ fields: lines }) })
  const [length, peer, start, cache, date, close] = head().split('\r\n').slice(1) as [
    string,
    string,
    string,
    string,
    string,
    string,
  ]
  const seen = (peerText: string) => fields(length, `Firmhand-Peer: ${peerText}`, start, cache, date, close)
  const lost = (code: string, family: 4 | 6 = 4): WireProbe => ({
    family,
    address: family === 4 ? '203.0.113.4' : '2001:db8::4',
    outcome: { kind: 'unreachable', code },
  })
  it.each<[string, string, Partial<typeof publicUrl>, string]>([
    ['public-url', 'not set', { url: null }, 'caution'],
    ['public-url', 'https', { url: 'https://fw.example.com' }, 'caution'],
    ['public-name', 'does not resolve', { addresses: null }, 'fault'],
    ['public-name', 'private (RFC 1918)', { addresses: ['192.168.1.4'] }, 'caution'],
    ['public-reach', 'no server runs', { probes: [] }, 'unknown'],
    ['public-reach-ipv4', 'refused', { probes: [lost('ECONNREFUSED')] }, 'fault'],
    ['public-reach-ipv4', 'no answer to SYN: hairpin or firewall', { probes: [lost('ETIMEDOUT')] }, 'caution'],
    ['public-reach-ipv6', 'AAAA that nobody serves', { probes: [probe(), lost('ECONNREFUSED', 6)] }, 'fault'],
    ['public-reach-ipv6', 'no IPv6 here', { probes: [probe(), lost('ENETUNREACH', 6)] }, 'caution'],
    ['public-reach-ipv4', 'says nothing', { probes: [{ ...probe(), outcome: { kind: 'no-answer' } }] }, 'fault'],
    [
      'public-reach-ipv4',
      'redirect',
      { probes: [probe({ head: head({ status: '301 Moved Permanently' }) })] },
      'fault',
    ],
    ['public-reach-ipv4', 'a page', { probes: [probe({ head: head({ status: '200 OK' }) })] }, 'fault'],
    ['public-reach-ipv4', 'a plain 404', { probes: [fields('Server: x', 'Content-Length: 0')] }, 'fault'],
    ['public-reach-ipv4', 'another start of it', { mark: 'bb22' }, 'fault'],
    ['public-wire-ipv4', 'a body where there is none', { probes: [probe({ bodyBytes: 3 })] }, 'fault'],
    [
      'public-wire-ipv4',
      'Via added',
      { probes: [fields(length, peer, start, cache, date, close, 'Via: 1.1 x')] },
      'fault',
    ],
    [
      'public-wire-ipv4',
      'lower case',
      { probes: [fields(length.toLowerCase(), peer, start, cache, date, close)] },
      'fault',
    ],
    ['public-wire-ipv4', 'another order', { probes: [fields(date, length, peer, start, cache, close)] }, 'fault'],
    ['public-direct-ipv4', 'another port of this machine', { probes: [seen('198.51.100.7:55555')] }, 'fault'],
    ['public-direct-ipv4', 'a container gateway', { probes: [seen('172.17.0.1:40002')] }, 'fault'],
    ['public-direct-ipv4', 'the same, and it is said', { probes: [seen('172.17.0.1:40002')], behindProxy: true }, 'ok'],
    ['public-direct-ipv4', 'direct, and a proxy is said', { behindProxy: true }, 'caution'],
    ['public-direct-ipv4', 'NAT that keeps the port', { probes: [seen('203.0.113.99:40001')] }, 'ok'],
    ['public-direct-ipv4', 'NAT that does not', { probes: [seen('203.0.113.99:61000')] }, 'unknown'],
  ])('%s, %s', (check, _what, change, grade) => {
    expect(gradeOf(judgePublicUrl({ ...publicUrl, ...change }), check)).toBe(grade)
  })
})

describe('where downloads came from', () => {
  const one = (address: string) => ({ peers: [{ address, links: 40 }] })
  it.each([
    ['few links', { links: 4 }, 'unknown'],
    ['none', { links: 0, peers: [] }, 'unknown'],
    ['one gateway', one('172.17.0.1'), 'fault'],
    ['loopback', one('127.0.0.1'), 'fault'],
    ['loopback, on a trial', { ...one('127.0.0.1'), publicAddresses: ['127.0.0.1'] }, 'caution'],
    ['one public address: carrier NAT or proxy', one('203.0.113.9'), 'caution'],
    ['one carrier NAT (RFC 6598)', one('100.64.3.2'), 'caution'],
    ['a proxy that is said', { ...one('172.17.0.1'), behindProxy: true }, 'ok'],
    ['a proxy that is said and not seen', { behindProxy: true }, 'caution'],
  ])('%s', (_what, change, grade) => {
    expect(judgePeers({ ...peers, ...change }).grade).toBe(grade)
  })
})

it.each([
  ['127.0.0.1', 'loopback'], // RFC 6890 §2.2.2, and the others there.
  ['10.0.0.1', 'private'],
  ['172.16.0.1', 'private'],
  ['172.31.255.255', 'private'],
  ['172.32.0.1', 'public'],
  ['192.168.0.1', 'private'],
  ['169.254.1.1', 'private'],
  ['100.64.0.1', 'carrier-nat'], // RFC 6598 §7
  ['100.128.0.1', 'public'],
  ['::ffff:10.1.1.1', 'private'],
  ['::1', 'loopback'],
  ['fd00::1', 'private'], // RFC 4193 §3.1
  ['fe80::1', 'private'], // RFC 4291 §2.4
  ['2001:db8::1', 'public'],
])('%s is %s', (address, kind) => {
  expect(kindOf(address)).toBe(kind)
})

it('reads a peer, and nothing that is none', () => {
  expect(readPeer('203.0.113.9:80')).toEqual({ address: '203.0.113.9', port: 80 })
  expect(readPeer('[2001:db8::1]:80')).toEqual({ address: '2001:db8::1', port: 80 })
  for (const text of ['', '203.0.113.9', 'x:80', '[x]:80']) expect(readPeer(text)).toBeNull()
})
