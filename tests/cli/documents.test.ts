// The documents against the code: what they list is what there is, and their worked examples work.
import { spawnSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import os from 'node:os'
import path from 'node:path'
import { describe, expect, it } from 'vitest'
import { exportLines } from '../../src/audit/export-lines.js'
import { verifyExport } from '../../src/audit/verify.js'
import { PLACES } from '../../src/command-texts/template.js'
import { SETTINGS_HELP } from '../../src/config.js'
import { LEDGER_FLAGS } from '../../src/downloads/delivery.js'
import { byteBudget, Profile } from '../../src/models/profile.js'
import { ATTESTED_REASONS, FAILED_REASONS, TASK_EXITS, TASK_FLAGS, TASK_STATES } from '../../src/tasks/facts.js'
import { cli, ROOT } from './run.js'

/** A document, its tables without the blanks that the formatter pads them with. */
const read = (name: string): string =>
  readFileSync(path.join(ROOT, name), 'utf8').replace(/ +\|/g, ' |').replace(/\| +/g, '| ')
const DOCUMENTS = [
  'README.md',
  'DEVELOPERS.md',
  'deploy/README.md',
  ...readdirSync(path.join(ROOT, 'docs')).map((n) => `docs/${n}`),
]
/** Blocks of a language, without their fences. */
const blocks = (text: string, language: string): string[] =>
  [...text.matchAll(new RegExp(`^\`\`\`${language}\\n([\\s\\S]*?)^\`\`\`$`, 'gm'))].map((match) => match[1]!)
/** First cells of the tables. */
const cells = (text: string): string => (text.match(/^\| [^|]*\|/gm) ?? []).join('\n')

describe('the worked example of docs/audit-log.md', () => {
  const text = read('docs/audit-log.md')
  const [log] = blocks(text, 'jsonl') as [string]
  const [entryText, labelsText] = blocks(text, 'text').map((block) => block.trimEnd()) as [string, string]
  const sha256 = (value: string) => createHash('sha256').update(value).digest('hex')

  it('holds by the rule as it is spelled out, and for the verifier', async () => {
    const [, first, second] = log.split('\n').map((line) => (line === '' ? null : JSON.parse(line)))
    expect(sha256(entryText)).toBe(first.hash)
    expect(sha256(labelsText)).toBe(first.labelsHash)
    expect(second.prev).toBe(first.hash)
    const { hash: _hash, labels, ...hashed } = first
    expect(JSON.parse(entryText)).toEqual(hashed)
    expect(JSON.parse(labelsText)).toEqual(labels)
    expect(text).toContain(`SHA-256 is \`${first.hash}\``)
    expect(text).toContain(`SHA-256 is \`${first.labelsHash}\``)
    expect(await verifyExport(exportLines([Buffer.from(log)]))).toMatchObject({ ok: true, entries: 2 })
  })

  it.runIf(spawnSync('python3', ['--version']).status === 0)(
    'is what the lines of Python find intact, and a changed byte, a lost line and erased labels as they should',
    () => {
      const folder = mkdtempSync(path.join(os.tmpdir(), 'firmhand-docs-'))
      const check = (copy: string) => {
        writeFileSync(path.join(folder, 'log.jsonl'), copy)
        writeFileSync(path.join(folder, 'check.py'), blocks(text, 'python')[0]!)
        const { status, stdout, stderr } = spawnSync('python3', ['check.py', 'log.jsonl'], {
          cwd: folder,
          encoding: 'utf8',
        })
        return { status, said: (stdout + stderr).trim() }
      }
      const lines = log.trimEnd().split('\n')
      const lastHash = JSON.parse(lines[2]!).hash
      expect(check(log)).toEqual({ status: 0, said: `intact: 2:${lastHash}` })
      expect(check(log.replace('"2.0.0"', '"2.0.1"'))).toEqual({ status: 1, said: 'entry 2 was changed' })
      expect(check([lines[0], lines[2], lines[3]].join('\n')).status).toBe(1)
      expect(check(lines.slice(0, 3).join('\n'))).toEqual({ status: 1, said: 'the end is missing' })
      expect(check(log.replace('"imei":"0', '"imei":"1'))).toEqual({ status: 1, said: 'entry 1 was changed' })
      expect(check(log.replace(/"labels":\{[^}]*\}/, '"labels":null')).status).toBe(0)
      rmSync(folder, { recursive: true, force: true })
    },
    60_000,
  )
})

describe('docs/profile.md', () => {
  const text = read('docs/profile.md')
  const members = (shape: Record<string, { def?: object }>, before = ''): string[] =>
    Object.entries(shape).flatMap(([name, schema]) => {
      const inner = innerShape(schema)
      return inner ? members(inner, `${before}${name}.`) : [`${before}${name}`]
    })
  /** The members of an object schema, through a default around it. */
  function innerShape(schema: { def?: object }): Record<string, { def?: object }> | null {
    const def = schema.def as { type?: string; innerType?: { def?: object }; shape?: Record<string, { def?: object }> }
    if (def.type === 'object') return def.shape ?? null
    return def.type === 'default' && def.innerType ? innerShape(def.innerType) : null
  }

  it('lists every member of the schema and no other', () => {
    const listed = [...cells(text).matchAll(/`([\w.]+)`/g)].map((match) => match[1])
    expect(listed.sort()).toEqual(members(Profile.shape as never).sort())
  })
  it('lists every place of a template', () => {
    for (const place of PLACES) expect(text).toContain(`\`{${place}}\``)
  })
  it('shows a smallest profile that is one, with the defaults that it states', () => {
    const smallest = Profile.parse(JSON.parse(blocks(text, 'json')[0]!))
    const rows = [...text.matchAll(/^\| `([\w.]+)` \| `([^`]*)` \|/gm)]
    expect(rows.length).toBeGreaterThan(10)
    for (const [, name, stated] of rows) {
      const value = name!.split('.').reduce<unknown>((at, key) => (at as Record<string, unknown>)[key], smallest)
      expect([String(value), JSON.stringify(value)], name).toContain(stated)
    }
    expect(byteBudget(smallest, 1000)).toBe(2500 + 1024 * 1024)
  })
})

describe('README.md', () => {
  const text = read('README.md')
  it('lists every setting with its default', () => {
    for (const { name, fallback } of SETTINGS_HELP) {
      expect(text).toContain(`| \`${name}\` | ${fallback === '' ? 'not set' : `\`${fallback}\``} |`)
    }
    expect(cells(text).match(/FIRMHAND_\w+/g)).toHaveLength(SETTINGS_HELP.length)
  })
  it('lists every command and verb', async () => {
    const help = (await cli(['--help'])).out
    const commands = [...help.matchAll(/^ {2}(\w+)(?: ([\w|]+))? {2,}\S/gm)].filter((match) => match[1] !== 'help')
    expect(commands.length).toBeGreaterThan(8)
    for (const [, command, verbs] of commands.filter((match) => !match[0].includes('FIRMHAND'))) {
      const rows = text.split('\n').filter((line) => line.startsWith(`| \`${command}`))
      expect(rows, command).not.toEqual([])
      const row = rows.join('\n')
      for (const verb of verbs?.split('|') ?? []) expect(row, `${command} ${verb}`).toMatch(new RegExp(`\\b${verb}\``))
    }
  })
})

describe('docs/evidence.md', () => {
  it('explains every state, exit, reason and flag of a task', () => {
    const text = read('docs/evidence.md')
    for (const word of [...TASK_STATES, ...TASK_EXITS, ...ATTESTED_REASONS, ...TASK_FLAGS, ...LEDGER_FLAGS])
      expect(text).toContain(`\`${word}\``)
    // `refused` comes from a reply text, and replies are not read yet.
    for (const reason of FAILED_REASONS.filter((known) => known !== 'refused'))
      expect(text).toContain(`\`failed\` \`${reason}\``)
  })
})

describe('links between documents', () => {
  it.each(DOCUMENTS)('lead somewhere: %s', (name) => {
    for (const [, target] of read(name).matchAll(/\]\(([^)#]+)\)/g)) {
      expect(existsSync(path.join(ROOT, path.dirname(name), target!)), `${name} -> ${target}`).toBe(true)
    }
  })
})
