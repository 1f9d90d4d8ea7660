// The rules of the house that a compiler does not see. DEVELOPERS.md says why each is there.
import { execFileSync } from 'node:child_process'
import { readdirSync, readFileSync } from 'node:fs'
import path from 'node:path'
import { fileURLToPath } from 'node:url'
import { describe, expect, it } from 'vitest'

const ROOT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '..')
const SRC = path.join(ROOT, 'src')

/** A folder may import from those before it, and from itself. The single files of src/ stand at the place of their name. */
const LADDER = [
  'errors',
  'clock',
  'ids',
  'logger',
  'config',
  'db',
  'threads',
  'blobs',
  'http',
  'csv',
  'audit',
  'access',
  'hold',
  'versions',
  'command-texts',
  'models',
  'packages',
  'units',
  'links',
  'downloads',
  'tasks',
  'checkins',
  'sheets',
  'timeline',
  'events',
  'metrics',
  'doctor',
  'upkeep',
  'server',
  'app',
  'camera',
  'cli',
  'main',
]

/** Inside a folder: what a file may touch grows with its suffix. */
const SUFFIXES = ['pure', 'driver', 'store', 'service', 'routes', 'worker', 'thread', 'command']
const SAME_LEVEL = [
  ['driver', 'store'],
  ['routes', 'worker', 'thread', 'command'],
]
const LINES_MAX = 300

interface Source {
  file: string
  text: string
  imports: string[]
}

/** Comments and strings are left alone but for imports: good enough for code that the formatter has been over. */
function readSource(file: string): Source {
  const text = readFileSync(path.join(SRC, file), 'utf8')
  const imports = [
    ...text.matchAll(/^(?:import|export)\b[^'"]*?from\s+'([^']+)'|^import\s+'([^']+)'|import\('([^']+)'\)/gm),
  ].map((match) => (match[1] ?? match[2] ?? match[3])!)
  return { file, text, imports }
}

const sources = readdirSync(SRC, { recursive: true, encoding: 'utf8' })
  .filter((name) => name.endsWith('.ts'))
  .sort()
  .map(readSource)

const rungOf = (file: string): number => LADDER.indexOf(file.split('/')[0]!.replace(/\.ts$/, ''))
const suffixOf = (file: string): string => /\.([a-z]+)\.ts$/.exec(file)?.[1] ?? 'pure'
/** Composition and entries stand above the suffixes: they wire everything. The log is written wherever something is said. */
const WIRING = ['server', 'app', 'cli', 'main', 'camera', 'logger']

function localImports(source: Source): string[] {
  return source.imports
    .filter((name) => name.startsWith('.'))
    .map((name) => path.normalize(path.join(path.dirname(source.file), name)).replace(/\.js$/, '.ts'))
    .filter((file) => !file.startsWith('..'))
}

describe('the ladder of imports', () => {
  it('names every folder and file of src', () => {
    expect(
      [...new Set(sources.map(({ file }) => file.split('/')[0]!.replace(/\.ts$/, '')))].filter(
        (name) => !LADDER.includes(name),
      ),
    ).toEqual([])
  })

  it('is climbed in one direction only', () => {
    const wrong = sources.flatMap((source) =>
      localImports(source)
        .filter((target) => rungOf(target) > rungOf(source.file))
        .map((target) => `${source.file} imports ${target}`),
    )
    expect(wrong).toEqual([])
  })

  it('notices a step in the wrong direction', () => {
    const bad = { file: 'links/x.ts', text: '', imports: ['../tasks/derive.js'] }
    expect(localImports(bad).filter((target) => rungOf(target) > rungOf(bad.file))).toEqual(['tasks/derive.ts'])
  })

  it('holds inside a folder too: pure, then drivers and stores, then services, then routes and entries', () => {
    const level = (suffix: string) => {
      const same = SAME_LEVEL.find((group) => group.includes(suffix))
      return SUFFIXES.indexOf(same?.[0] ?? suffix)
    }
    const wrong = sources.flatMap((source) =>
      WIRING.includes(source.file.split('/')[0]!.replace(/\.ts$/, ''))
        ? []
        : localImports(source)
            .filter((target) => path.dirname(target) === path.dirname(source.file))
            .filter((target) => level(suffixOf(target)) > level(suffixOf(source.file)) && !isTypeOnly(source, target))
            .map((target) => `${source.file} imports ${target}`),
    )
    expect(wrong).toEqual([])
  })

  it('has no circles', () => {
    const byFile = new Map(
      sources.map((source) => [source.file, localImports(source).filter((target) => !isTypeOnly(source, target))]),
    )
    const done = new Set<string>()
    const circles: string[] = []
    const walk = (file: string, trail: string[]) => {
      if (trail.includes(file)) circles.push([...trail.slice(trail.indexOf(file)), file].join(' -> '))
      else if (!done.has(file)) {
        for (const target of byFile.get(file) ?? []) walk(target, [...trail, file])
        done.add(file)
      }
    }
    for (const { file } of sources) walk(file, [])
    expect(circles).toEqual([])
  })
})

/** Whether everything that `source` takes from `target` are types: they vanish when compiled. */
function isTypeOnly(source: Source, target: string): boolean {
  const name = `./${path.relative(path.dirname(source.file), target).replace(/\.ts$/, '.js')}`.replace('./..', '..')
  const lines = [...source.text.matchAll(/^(import|export)\b([^'"]*?)from\s+'([^']+)'/gm)].filter(
    (match) => match[3] === name,
  )
  return (
    lines.length > 0 &&
    lines.every((match) => /^\s*type\b/.test(match[2]!) || /^\s*\{(\s*type\s+[^,}]+,?)*\s*\}\s*$/.test(match[2]!))
  )
}

describe('what a file may touch', () => {
  const IO_MODULES = /^node:(fs|net|http|https|dns|child_process|worker_threads|readline|tls)/
  /** Pure by suffix, yet with a reason to import an I/O module for its types alone, or to be an entry. */
  const isPure = ({ file }: Source) =>
    suffixOf(file) === 'pure' && !WIRING.includes(file.split('/')[0]!.replace(/\.ts$/, ''))

  it('has no I/O without a suffix', () => {
    const wrong = sources
      .filter(isPure)
      .flatMap((source) =>
        [...source.text.matchAll(/^import\b(?!\s+type)[^'"]*?from\s+'([^']+)'/gm)]
          .filter((match) => IO_MODULES.test(match[1]!) && !/^import \{(\s*type\s+[^,}]+,?)*\s*\}/.test(match[0]))
          .map((match) => `${source.file}: ${match[1]}`),
      )
    expect(wrong).toEqual([])
  })

  it('reads no clock of its own: time is passed in', () => {
    const allowed = ['clock.ts', 'main.ts']
    const wrong = sources
      .filter(({ file, text }) => !allowed.includes(file) && /\bDate\.now\(|\bnew Date\(\)/.test(text))
      .map(({ file }) => file)
    expect(wrong).toEqual([])
  })

  it('reads the environment in one place', () => {
    expect(
      sources
        .filter(({ file, text }) => file !== 'main.ts' && /process\.env\b(?! *\.)/.test(text.replace(/\/\/.*$/gm, '')))
        .map(({ file }) => file),
    ).toEqual([])
  })

  it('writes to no console', () => {
    expect(sources.filter(({ text }) => /\bconsole\./.test(text)).map(({ file }) => file)).toEqual([])
  })

  it('keeps SQL in stores, drivers and migrations', () => {
    const allowed = ['driver', 'store']
    const wrong = sources
      .filter(({ file }) => !allowed.includes(suffixOf(file)))
      .filter(({ text }) => /\.(selectFrom|insertInto|updateTable|deleteFrom)\(/.test(text))
      .map(({ file }) => file)
    expect(wrong).toEqual([])
  })

  it('lets a camera know only what a camera knows', () => {
    const wrong = sources
      .filter(({ file }) => file.startsWith('camera/'))
      .flatMap(({ file, imports }) =>
        imports
          .filter((name) => !name.startsWith('node:') && !/^\.\/[a-z-]+\.js$/.test(name))
          .map((name) => `${file} imports ${name}`),
      )
    expect(wrong).toEqual([])
  })

  it('lets a released migration stand alone', () => {
    for (const name of readdirSync(path.join(ROOT, 'migrations')).filter((file) => file !== 'index.ts')) {
      const text = readFileSync(path.join(ROOT, 'migrations', name), 'utf8')
      expect(text.match(/from '([^']+)'/g)?.filter((line) => !line.includes("'kysely'")) ?? [], name).toEqual([])
    }
  })
})

describe('what one finds where', () => {
  it('has files that one can read at a sitting', () => {
    const long = sources
      .map(({ file, text }) => ({ file, lines: text.split('\n').length - 1 }))
      .filter(({ lines }) => lines > LINES_MAX)
    expect(long).toEqual([])
  })

  it('has no drawer for everything', () => {
    const drawers = sources
      .filter(({ file }) => /(^|\/)(utils?|helpers?|common|shared|types|misc)(\/|\.)/.test(file))
      .map(({ file }) => file)
    expect(drawers).toEqual([])
  })

  it('keeps the top level as it was agreed', () => {
    const agreed =
      /^(README\.md|DEVELOPERS\.md|package\.json|package-lock\.json|tsconfig\.json|src|migrations|tests|deploy|demo-data|docs|\..+)$/
    const tracked = execFileSync('git', ['ls-tree', '--name-only', 'HEAD'], { cwd: ROOT, encoding: 'utf8' })
      .trim()
      .split('\n')
    expect(tracked.filter((name) => !agreed.test(name))).toEqual([])
  })
})
