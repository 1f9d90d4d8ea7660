// What a command loads before it runs. A client of a running server is started by hand and by scripts, again and again:
// most of its time would go into reading a server that it does not need. Packages are looked at, and no time is taken,
// which would say more of the machine.
import { readFileSync } from 'node:fs'
import path from 'node:path'
import { expect, it } from 'vitest'
import { ROOT } from './run.js'

const SRC = path.join(ROOT, 'src')
const SERVER_PACKAGES = ['fastify', 'kysely', 'better-sqlite3', 'zod', 'libphonenumber-js', 'prom-client', 'pino']
const CLIENTS = [
  'key',
  'model',
  'package',
  'unit',
  'task',
  'link',
  'command-text',
  'checkin',
  'audit',
  'labels',
  'hold',
  'scrub',
]

/** Packages that a file loads at once, by itself or by what it imports; types vanish, `await import()` comes later. */
function packagesOf(file: string, seen = new Set<string>()): Set<string> {
  const found = new Set<string>()
  if (seen.has(file)) return found
  seen.add(file)
  for (const [, what, name] of readFileSync(file, 'utf8').matchAll(
    /^(?:import|export)\s+(?!type\b)([^'"]*?)from\s+'([^']+)'/gm,
  )) {
    const onlyTypes = /^\{[^}]*\}\s*$/.test(what!) && !/[{,]\s*(?!type\b)\w/.test(what!)
    if (onlyTypes) continue
    if (!name!.startsWith('.')) found.add(name!)
    else {
      const next = path.resolve(path.dirname(file), name!.replace(/\.js$/, '.ts'))
      for (const one of packagesOf(next, seen)) found.add(one)
    }
  }
  return found
}

const ofServer = (file: string): string[] =>
  SERVER_PACKAGES.filter((name) => packagesOf(path.join(SRC, file)).has(name))

it('a start by itself, and each command that asks a running server, loads nothing of the server', () => {
  const wrong = ['main.ts', ...CLIENTS.map((name) => `cli/${name}.command.ts`)].flatMap((file) =>
    ofServer(file).map((name) => `${file} loads ${name}`),
  )
  expect(wrong).toEqual([])
  expect(packagesOf(path.join(SRC, 'main.ts'))).toContain('commander')
})

it('the server loads it, so the look would have found it', () => {
  expect(ofServer('cli/serve.command.ts')).toEqual(SERVER_PACKAGES)
})
