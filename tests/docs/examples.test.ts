// The examples in README.md and docs/*.md, run as a reader runs them, in order, against a real server process.
//
// How a document makes use of it:
// - Indented blocks, and fences of `sh`, are commands; each must end with exit code 0, or with N where its remark says
//   `# exit N`. One shell a document: exported variables and files stay. The folder holds demo-data/.
// - README.md starts from nothing. Every other document finds a running server: model tarnlight-t1 with package W25-41
//   (its file too: tarnlight-W25-41.img), unit 009977022205074 with an open task, reports.ndjson; FIRMHAND_URL and FIRMHAND_KEY
//   of an integrator, and KEY of role check-in, are set.
// - PACKAGE, TASK, UNIT, LINK, KEY_ID and SEQ:HASH stand for the last thing of their kind that was printed; `NAME=…` for the
//   last key. Addresses (http://fw.example.com, http://127.0.0.1:8081) are replaced by those of the server,
//   folders of a machine (/var/lib/firmhand, /mnt/backup, /opt/firmhand) by folders of the test.
// - Right behind commands a block that begins with { or [, or a fence of `json` or `text`, is what the last one prints: the
//   same members, types and lines; numbers and ids may differ, and `…` stands for anything.
// - A fence with a file name (```csv units.csv) is written into the folder. A fence of `json`, or `json Task` with the name of
//   a schema of the API, has to be valid by it.
// - What a document needs beyond that, and would only bore its reader, stands in a remark: a line `<!-- run first`, commands,
//   a line `-->`. They run there, like any others.
// - What cannot be run is listed in NOT_RUN with a reason, and what does not end by itself in RUNS_ON.
import { readdirSync, readFileSync, writeFileSync } from 'node:fs'
import path from 'node:path'
import { fileURLToPath } from 'node:url'
import Ajv2020 from 'ajv/dist/2020.js'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { readAll, type Schema } from '../http/openapi.js'
import { startTestApp, type TestApp } from '../support/app.js'
import { type Block, commandsOf, readBlocks, withoutRemarks } from './example-blocks.js'
import { shapeFaults } from './example-shape.js'
import { type ExampleShell, openShell } from './example-shell.js'

const ROOT = fileURLToPath(new URL('../../', import.meta.url))
const DOCUMENTS = ['README.md', ...readdirSync(path.join(ROOT, 'docs')).map((name) => `docs/${name}`)].filter((name) =>
  name.endsWith('.md'),
)

/** Commands and blocks that are not run, by how they begin. */
const NOT_RUN: { document: string; begins: string; reason: string }[] = [
  { document: 'README.md', begins: 'npm run demo', reason: 'takes most of a minute; tests/cli runs it by itself' },
  { document: 'README.md', begins: 'sysctl -w', reason: 'needs root and changes the machine' },
  {
    document: 'docs/hand-work.md',
    begins: 'firmhand task report',
    reason: 'the times are those of a sheet of that day; tests/sheets types one in',
  },
  { document: 'docs/integrator.md', begins: 'npx firmhand doctor', reason: 'judges the machine; tests/doctor' },
  { document: 'docs/upkeep.md', begins: '10 3 * * *', reason: 'a line of cron' },
  {
    document: 'docs/upkeep.md',
    begins: 'FIRMHAND_DATA=/var/lib/firmhand firmhand restore',
    reason: 'wants an empty folder; tests/upkeep restores',
  },
  { document: 'docs/upkeep.md', begins: 'firmhand restore', reason: 'the same, on another machine' },
  { document: 'docs/evidence.md', begins: 'queued → fetched', reason: 'a row of states and no command' },
]
/** What goes on until something happens later, and is right to be still running. */
const RUNS_ON: { document: string; begins: string; reason: string }[] = [
  { document: 'docs/operator.md', begins: 'npx firmhand task watch', reason: 'ends when the unit has confirmed' },
  { document: 'docs/api.md', begins: 'curl -s -N', reason: 'a stream of events never ends by itself' },
  {
    document: 'README.md',
    begins: 'npx firmhand task watch',
    reason: 'ends at the second report, after the soak time',
  },
]
const RUNS_ON_MS = 2500
const SERVES = /^(?:npm start|(?:npx )?firmhand serve)$/

const used = new Set<object>()
const listed = (list: typeof NOT_RUN, document: string, text: string) => {
  const entry = list.find((one) => one.document === document && text.startsWith(one.begins))
  if (entry) used.add(entry)
  return entry !== undefined
}

// Each has a server and a folder of its own, so several are read at once, and one that waits does not keep the others.
describe.concurrent.each(
  DOCUMENTS.filter((name) => readBlocks(readFileSync(path.join(ROOT, name), 'utf8')).length > 0),
)('the examples of %s', (document) => {
  const blocks = readBlocks(readFileSync(path.join(ROOT, document), 'utf8'))
  let shell: ExampleShell | null = null
  afterAll(() => shell?.close())

  it('run as they stand, and print what is shown', async () => {
    let printed = ''
    for (const block of blocks) {
      if (block.kind === 'file') {
        shell ??= await openShell({ running: document !== 'README.md' })
        writeFileSync(path.join(shell.folder, path.basename(block.name!)), `${block.text}\n`)
      } else if (block.kind === 'output') {
        expect(shapeFaults(block.text, printed), `${document}:${block.line} printed ${printed}`).toEqual([])
      } else if (block.kind === 'shell' && !listed(NOT_RUN, document, block.text)) {
        shell ??= await openShell({ running: document !== 'README.md' })
        printed = await runBlock(shell, document, block)
      }
    }
  }, 240_000)
})

/** Gives what the last command printed. */
async function runBlock(shell: ExampleShell, document: string, block: Block): Promise<string> {
  let printed = ''
  for (const { line, text } of commandsOf(block)) {
    if (listed(NOT_RUN, document, text)) continue
    const place = `${document}:${line}`
    let command = ''
    try {
      command = shell.prepared(withoutRemarks(text))
    } catch (error) {
      throw new Error(`${place}: ${text}: ${(error as Error).message}`)
    }
    if (SERVES.test(command.trim())) await shell.serve(command)
    else if (listed(RUNS_ON, document, text)) {
      const ended = await shell.runOn(command, RUNS_ON_MS)
      expect(ended, `${place} ended by itself: ${ended?.out}${ended?.err}`).toBeNull()
    } else {
      const ran = await shell.run(command)
      const wanted = Number(/#.*\bexit (\d)/.exec(text)?.[1] ?? 0)
      expect(ran.code, `${place}: ${command}\n${ran.out}${ran.err}`).toBe(wanted)
      printed = ran.out
    }
  }
  return printed
}

describe('JSON in the documents', () => {
  let test: TestApp
  let document: Schema
  beforeAll(async () => {
    test = await startTestApp()
    ;({ document } = await readAll(test.officeUrl))
  })
  afterAll(() => test.stop())

  it('is valid by the schema that is named beside it, or by one of the API', () => {
    const ajv = new Ajv2020.default({ strict: false, validateFormats: false })
    ajv.addSchema(document, 'doc')
    const names = Object.keys(document.components.schemas)
    const isValid = (name: string, value: unknown) => ajv.validate({ $ref: `doc#/components/schemas/${name}` }, value)
    let seen = 0
    for (const file of DOCUMENTS) {
      for (const block of readBlocks(readFileSync(path.join(ROOT, file), 'utf8')).filter(
        ({ kind }) => kind === 'json',
      )) {
        const value = JSON.parse(block.text)
        const valid = names.filter((name) => (block.name ?? name) === name && isValid(name, value))
        expect(valid.length, `${file}:${block.line}`).toBeGreaterThan(0)
        seen += 1
      }
    }
    expect(seen).toBeGreaterThan(0)
    expect(names.filter((name) => isValid(name, { nothing: 'of ours' }))).toEqual([])
  })
})

describe('the runner itself', () => {
  it('tells commands, output, files and JSON apart, and leaves prose alone', () => {
    const text =
      '<!-- run first\nd\n-->\n\nText:\n\n    npx a \\\n      --b\n    c # remark\n\n    {"a":1}\n\n```csv u.csv\nx\n```\n\n```json Task\n{}\n```\n'
    const blocks = readBlocks(text)
    expect(blocks.map(({ kind, name, line }) => [kind, name, line])).toEqual([
      ['shell', null, 2],
      ['shell', null, 7],
      ['output', null, 11],
      ['file', 'u.csv', 14],
      ['json', 'Task', 18],
    ])
    expect(commandsOf(blocks[1]!).map(({ text: command }) => withoutRemarks(command))).toEqual(['npx a \\\n  --b', 'c'])
  })
  it('sees output of another shape', () => {
    expect(shapeFaults('{"a":1,"b":"u_…"}', '{"a":2,"b":"u_3"}')).toEqual([])
    expect(shapeFaults('{"a":1}', '{"a":1,"b":2}')).not.toEqual([])
    expect(shapeFaults('{"a":null}', '{"a":"x"}')).not.toEqual([])
    expect(shapeFaults('3 units: …', '17 units: done')).toEqual([])
    expect(shapeFaults('3 units', '3 tasks')).not.toEqual([])
  })
})

it('lists nothing as not run that is no longer there', () => {
  expect([...NOT_RUN, ...RUNS_ON].filter((entry) => !used.has(entry))).toEqual([])
})
