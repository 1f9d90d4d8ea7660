// The files of deploy/ against what they promise and against the code. The tools they are for (systemd, a container engine,
// nginx, Caddy) need not be there: what is checked is what a slip of the pen would break.
import { execFileSync, spawnSync } from 'node:child_process'
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { fileURLToPath } from 'node:url'
import { describe, expect, it } from 'vitest'
import { readConfig, SETTINGS_HELP } from '../../src/config.js'

const ROOT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../..')
const read = (name: string): string => readFileSync(path.join(ROOT, 'deploy', name), 'utf8')
const withoutComments = (text: string): string =>
  text
    .split('\n')
    .filter((line) => !/^\s*#/.test(line))
    .join('\n')
const FILES = readdirSync(path.join(ROOT, 'deploy'))

/** Directives of a unit file by section; systemd.syntax(7): a key may come several times. */
function unit(): Record<string, string[]> {
  const all: Record<string, string[]> = {}
  for (const line of withoutComments(read('firmhand.service')).split('\n')) {
    const [, key, value] = /^(\w+)=(.*)$/.exec(line) ?? []
    if (key) all[key] = [...(all[key] ?? []), value!]
    else expect(line, 'a line that is neither section nor directive').toMatch(/^(\[\w+\])?$/)
  }
  return all
}

it('every setting that is named anywhere in deploy/ exists', () => {
  const known = SETTINGS_HELP.map(({ name }) => name)
  for (const file of FILES) {
    for (const [name] of read(file).matchAll(/FIRMHAND_[A-Z_]*[A-Z]/g)) {
      expect([...known, 'FIRMHAND_KEY'], file).toContain(name)
    }
  }
})

describe('firmhand.service', () => {
  const directives = unit()
  const one = (key: string): string | undefined => directives[key]?.at(-1)

  it.each([
    ['ProtectSystem', 'strict'],
    ['ProtectHome', 'yes'],
    ['PrivateTmp', 'yes'],
    ['NoNewPrivileges', 'yes'],
    ['StateDirectory', 'firmhand'],
    ['StateDirectoryMode', '0700'],
    ['UMask', '0077'],
    ['Restart', 'on-failure'],
    ['User', 'firmhand'],
    ['AmbientCapabilities', 'CAP_NET_BIND_SERVICE'],
    ['CapabilityBoundingSet', 'CAP_NET_BIND_SERVICE'],
    ['KillSignal', 'SIGTERM'],
    ['KillMode', 'mixed'],
  ])('%s=%s', (key, value) => {
    expect(directives[key]).toEqual([value])
  })

  it('lets the kernel’s table be read and the engine compile, whatever is hardened', () => {
    expect(directives.ProcSubset).toBeUndefined() // systemd.exec(5): pid would take /proc/net away.
    expect(directives.PrivateNetwork).toBeUndefined()
    expect(directives.MemoryDenyWriteExecute).toBeUndefined()
    for (const family of ['AF_INET', 'AF_INET6', 'AF_UNIX']) expect(one('RestrictAddressFamilies')).toContain(family)
    expect(directives.SystemCallFilter?.[0]).toBe('@system-service')
  })

  it('waits longer for a stop than the server can take', () => {
    // app.ts: the grace, 20 s for each of two threads, 3 s of http/app.driver.ts for the office side.
    const longestMs = readConfig({}).stopGraceMs + 2 * 20_000 + 3000
    expect(Number(one('TimeoutStopSec')) * 1000).toBeGreaterThan(longestMs)
  })

  it('allows the files that the doctor asks for, and starts what is built', () => {
    expect(Number(one('LimitNOFILE'))).toBeGreaterThanOrEqual(16_384)
    expect(one('ExecStart')).toMatch(
      / \/opt\/firmhand\/dist\/src\/main\.js serve --config \/etc\/firmhand\/settings\.json$/,
    )
    expect(existsSync(path.join(ROOT, 'src/main.ts'))).toBe(true)
  })

  it('does not start again what cannot start: wrong settings end with 2', () => {
    expect(directives.RestartPreventExitStatus).toEqual(['2'])
  })
})

it('60-firmhand.conf sets what sysctl knows, each with its reason above it', () => {
  const lines = read('60-firmhand.conf').trimEnd().split('\n')
  const settings = lines.flatMap((line, place) => (/^[^#\s]/.test(line) ? [{ line, before: lines[place - 1]! }] : []))
  expect(settings.map(({ line }) => line.split(' = ')[0])).toEqual([
    'net.ipv4.tcp_wmem',
    'net.ipv4.tcp_keepalive_intvl',
    'net.ipv4.tcp_keepalive_probes',
    'net.ipv4.tcp_mtu_probing',
    'net.core.somaxconn',
  ])
  for (const { line, before } of settings) {
    expect(line).toMatch(/^[a-z0-9_.]+ = \d+( \d+)*$/)
    expect(before).toMatch(/^(#|net\.ipv4\.tcp_keepalive)/)
    const file = `/proc/sys/${line.split(' = ')[0]!.replaceAll('.', '/')}`
    if (process.platform === 'linux' && existsSync('/proc/sys/net/ipv4')) expect(existsSync(file), file).toBe(true)
  }
  const [least, first, most] = settings[0]!.line.split(' = ')[1]!.split(' ').map(Number) as [number, number, number]
  expect(least < first && first < most && most <= 262_144).toBe(true)
})

describe('Containerfile', () => {
  const text = withoutComments(read('Containerfile')).replaceAll('\\\n', ' ')
  const lines = text.split('\n').filter((line) => line.trim() !== '')

  it('copies into layers what it names, and neither a data folder nor the checkout as a whole', () => {
    const copied = lines
      .filter((line) => /^(COPY|ADD) /.test(line))
      .map((line) => line.replace(/^COPY (--from=\w+ )?/, ''))
    const sources = copied.flatMap((line) => line.split(' ').slice(0, -1))
    const allowed = ['package.json', 'package-lock.json', 'tsconfig.json', 'src', 'migrations']
    for (const source of sources)
      expect([...allowed, ...['package.json', 'node_modules', 'dist'].map((name) => `/app/${name}`)]).toContain(source)
    expect(lines.some((line) => /^ADD /.test(line))).toBe(false)
    expect(text).not.toMatch(/SECRET|PASSWORD|TOKEN|FIRMHAND_KEY/)
    for (const source of allowed) expect(existsSync(path.join(ROOT, source)), source).toBe(true)
  })
  it('runs as a user without rights, is looked after, and is stopped by the signal that lets downloads end', () => {
    const last = lines.slice(lines.findLastIndex((line) => line.startsWith('FROM')))
    const user = last.find((line) => line.startsWith('USER'))!
    expect(user).toMatch(/^USER [1-9]\d*:[1-9]\d*$/)
    expect(last.indexOf(user)).toBeLessThan(last.findIndex((line) => line.startsWith('ENTRYPOINT')))
    expect(last).toContain('STOPSIGNAL SIGTERM')
    expect(last.find((line) => line.startsWith('HEALTHCHECK'))).toContain('/healthz')
    expect(last).toContain('ENTRYPOINT ["node", "/app/dist/src/main.js"]') // As a list: signals reach it.
  })
  it('starts from a Node that is new enough', () => {
    for (const [, major] of text.matchAll(/^FROM \S*node:(\d+)/gm)) expect(Number(major)).toBeGreaterThanOrEqual(20)
  })
})

describe('the compose files', () => {
  it('share the host’s network, or say that something ends TCP', () => {
    const host = withoutComments(read('compose.yaml'))
    expect(host).toMatch(/^ {4}network_mode: host$/m)
    expect(host).not.toMatch(/ports:|BEHIND_PROXY/)
    const published = withoutComments(read('compose.published-ports.yaml'))
    expect(published).toMatch(/^ {6}FIRMHAND_BEHIND_PROXY: "true"$/m)
    expect(published).toMatch(/^ {6}- 127\.0\.0\.1:8081:8081$/m) // Never the office side for everybody.
    expect(published).not.toContain('network_mode')
    for (const text of [host, published]) {
      expect(text).toMatch(/^ {4}stop_grace_period: 90s$/m)
      expect(text).not.toContain('\t')
    }
  })

  it.runIf(spawnSync('python3', ['-c', 'import yaml']).status === 0)('are YAML with one service', () => {
    for (const name of ['compose.yaml', 'compose.published-ports.yaml']) {
      const code = 'import sys, json, yaml; print(json.dumps(yaml.safe_load(sys.stdin)))'
      const parsed = JSON.parse(execFileSync('python3', ['-c', code], { input: read(name), encoding: 'utf8' }))
      expect(Object.keys(parsed.services)).toEqual(['firmhand'])
      expect(() => readConfig(parsed.services.firmhand.environment)).not.toThrow()
    }
  })
})

it('settings.example.json are settings', () => {
  expect(readConfig({}, JSON.parse(read('settings.example.json')))).toMatchObject({
    publicListen: { host: '::', port: 80 },
    officeListen: { host: '127.0.0.1', port: 8081 },
    behindProxy: false,
  })
})

it.each(['nginx-office.conf', 'Caddyfile'])(
  '%s passes on the office side and /in/, never /d/, and keeps /metrics inside',
  (name) => {
    const text = withoutComments(read(name))
    const depth = [...text].reduce((open, sign) => open + Number(sign === '{') - Number(sign === '}'), 0)
    expect(depth).toBe(0)
    expect(text).not.toMatch(/\/d\//)
    expect(text).toMatch(/\/in\//)
    expect(text).toMatch(/\/metrics[^}]*404/)
    expect(text).toMatch(/127\.0\.0\.1:8081/)
  },
)

it.runIf(spawnSync('bash', ['--version']).status === 0)(
  'the walk names files that are there, and a log that is cut while the server writes goes on without a hole',
  () => {
    const text = read('README.md')
    for (const [, file] of text.matchAll(/\bdeploy\/([\w.-]+)/g)) expect(FILES, file).toContain(file)
    // What logrotate's copytruncate does to a file that is appended to.
    const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-rotate-'))
    const file = path.join(folder, 'log')
    const script = `(echo one; sleep 0.3; echo two) >> ${file} & sleep 0.1; cp ${file} ${file}.1; : > ${file}; wait`
    execFileSync('bash', ['-c', script])
    expect([readFileSync(`${file}.1`, 'utf8'), readFileSync(file, 'utf8')]).toEqual(['one\n', 'two\n'])
    rmSync(folder, { recursive: true, force: true })
  },
)
