#!/usr/bin/env node
// Installs and builds what is missing or stale, then hands over: to the tests, a bench, or the program itself.
// Plain JavaScript without dependencies, because it has to run on a fresh clone.
import { spawnSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { existsSync, mkdirSync, readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs'
import path from 'node:path'
import { fileURLToPath, pathToFileURL } from 'node:url'

const root = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '..')
const inRoot = (...parts) => path.join(root, ...parts)

const [major, minor] = process.versions.node.split('.').map(Number)
if (major < 20 || (major === 20 && minor < 19)) {
  fail(`Node.js 20.19 or newer is needed; this is ${process.versions.node}.`)
}

function fail(message) {
  process.stderr.write(`firmhand: ${message}\n`)
  process.exit(1)
}

/** Runs a tool; its output goes to stderr, since stdout belongs to the command that follows. */
function run(command, args, what) {
  const { status, error } = spawnSync(command, args, { cwd: root, stdio: ['ignore', 2, 2], shell: false })
  if (error) fail(`${what} could not start: ${error.message}`)
  if (status !== 0)
    fail(`${what} failed, see the lines above. Python 3, make and g++ are needed to build the database driver.`)
}

function installIfStale() {
  const lock = createHash('sha256')
    .update(readFileSync(inRoot('package-lock.json')))
    .digest('hex')
  const wanted = `${lock} ${process.versions.modules}\n`
  const stamp = inRoot('node_modules', '.firmhand-installed')
  if (existsSync(stamp) && readFileSync(stamp, 'utf8') === wanted) return
  process.stderr.write('firmhand: installing packages (about a minute, the database driver is compiled) …\n')
  run(process.platform === 'win32' ? 'npm.cmd' : 'npm', ['ci', '--include=dev', '--loglevel=error'], 'npm ci')
  writeFileSync(stamp, wanted)
}

/** A digest of all that the build reads: names and contents, not times, which a copied folder does not keep. */
function sourcesDigest() {
  const hash = createHash('sha256')
  const take = (entry) => {
    if (statSync(inRoot(entry)).isDirectory()) {
      for (const name of readdirSync(inRoot(entry)).sort()) take(path.join(entry, name))
    } else
      hash
        .update(`${entry}\0`)
        .update(readFileSync(inRoot(entry)))
        .update('\0')
  }
  for (const entry of ['src', 'migrations', 'tsconfig.json', 'package-lock.json']) take(entry)
  return hash.digest('hex')
}

function buildIfStale() {
  const stamp = inRoot('dist', '.built')
  const wanted = sourcesDigest()
  if (existsSync(stamp) && readFileSync(stamp, 'utf8') === wanted) return
  mkdirSync(inRoot('dist'), { recursive: true })
  run(process.execPath, [inRoot('node_modules', 'typescript', 'bin', 'tsc'), '-p', 'tsconfig.json'], 'The build')
  writeFileSync(stamp, wanted)
}

function handOver(args) {
  const { status, signal } = spawnSync(process.execPath, args, { cwd: root, stdio: 'inherit' })
  process.exit(signal ? 1 : (status ?? 1))
}

/** Measurements lie in tests/bench, a file each; without a name they are listed. */
function runBench(name) {
  const names = readdirSync(inRoot('tests', 'bench')).flatMap((file) => /^(.+)\.bench\.ts$/.exec(file)?.[1] ?? [])
  if (!names.includes(name)) {
    process.stderr.write(`firmhand: npm run bench -- NAME, one of: ${names.join(', ')}\n`)
    process.exit(2)
  }
  const vitest = inRoot('node_modules', 'vitest', 'vitest.mjs')
  handOver([vitest, 'run', '--config', 'tests/bench/vitest.config.ts', `tests/bench/${name}.bench.ts`])
}

const args = process.argv.slice(2)
installIfStale()
buildIfStale()
if (args[0] === '--build-only') process.exit(0)
else if (args[0] === '--run-tests') {
  handOver([
    inRoot('node_modules', 'vitest', 'vitest.mjs'),
    'run',
    '--config',
    'tests/vitest.config.ts',
    ...args.slice(1),
  ])
} else if (args[0] === '--run-bench') {
  runBench(args[1])
} else await import(pathToFileURL(inRoot('dist', 'src', 'main.js')).href)
