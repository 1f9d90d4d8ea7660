import { createReadStream } from 'node:fs'
import { type Command, InvalidArgumentError, Option } from 'commander'
import { exportLineBatches, exportLines } from '../audit/export-lines.js'
import { type VerifyResult, verifyExport } from '../audit/verify.js'

import { EXIT, type Run, show } from './command.js'

interface ExportOptions {
  unit?: string
  actor?: string
  action?: string
  from?: string
  to?: string
  format: string
}

export function readHeadArgument(text: string): { seq: number; hash: string } {
  const match = /^(\d{1,15}):([0-9a-f]{64})$/i.exec(text)
  if (!match) throw new InvalidArgumentError('must be SEQ:HASH as printed by "firmhand audit head"')
  return { seq: Number(match[1]), hash: match[2]!.toLowerCase() }
}

/** Of a copy at a time. */
const READ_BYTES = 1024 * 1024

const FAULT_WORDS: Record<NonNullable<VerifyResult['fault']>['kind'], string> = {
  changed: 'it is not what was written',
  missing: 'something that belongs here is not there',
  inserted: 'something stands here that was not written by the server',
  reordered: 'something stands in another place than it was written',
  cut: 'the copy ends before its end',
  unreadable: 'it cannot be read as a line of this format',
}

async function* asText(body: AsyncIterable<Uint8Array>): AsyncGenerator<string> {
  const decoder = new TextDecoder('utf-8', { ignoreBOM: true })
  for await (const piece of body) yield decoder.decode(piece, { stream: true })
  yield decoder.decode()
}

/** The lines of a copy as one JSON value, for --json. */
async function* asArray(lines: AsyncIterable<string>): AsyncGenerator<string> {
  let before = '['
  for await (const line of lines) {
    yield before + line
    before = ',\n'
  }
  yield before === '[' ? '[]\n' : ']\n'
}

export function auditCommands(program: Command, run: Run): void {
  const audit = program.command('audit').description('the log of who did what to which unit when')
  audit
    .command('export')
    .description('print a copy of the log')
    .addOption(
      new Option('--format <FORMAT>', 'jsonl can be verified, csv is for a spreadsheet')
        .choices(['jsonl', 'csv'])
        .default('jsonl'),
    )
    .option('--unit <UNIT>', 'of this unit: our id, IMEI or serial number')
    .option('--actor <KEY_ID>', 'of this key')
    .option('--action <ACTION>', 'one action, or all of a kind: task.')
    .option('--from <TIME>', 'from then on, as 2026-05-01T00:00:00Z')
    .option('--to <TIME>', 'before then')
    .addHelpText('after', '\nA filtered copy shows that its entries are genuine, not that none is missing.')
    .action(async (options: ExportOptions, command: Command) => {
      if (run.json() && options.format !== 'jsonl') {
        command.error('error: --json gives the lines of jsonl as one array; it cannot give csv', {
          exitCode: EXIT.usage,
        })
      }
      const names = ['format', 'unit', 'actor', 'action', 'from', 'to'] as const
      const query = new URLSearchParams(
        names.flatMap((name): [string, string][] => (options[name] === undefined ? [] : [[name, options[name]]])),
      )
      const body = await run.api().stream(`/audit?${query}`)
      for await (const text of run.json() ? asArray(exportLines(body)) : asText(body)) {
        run.io.out(text)
        await run.io.drained()
      }
    })
  audit
    .command('head')
    .description('print SEQ:HASH of the newest entry; keep it elsewhere')
    .action(async () => {
      const head = await run.api().get<{ seq: number; hash: string }>('/audit/head')
      show(run, head, () => [`${head.seq}:${head.hash}`])
    })
  audit
    .command('verify <FILE>')
    .description('check a copy, without a server')
    .option(
      '--head <SEQ:HASH>',
      'a head that was kept elsewhere: shows a cut tail and a full rewrite',
      readHeadArgument,
    )
    .action(async (file: string, options: { head?: { seq: number; hash: string } }) => {
      const result = await verifyExport(
        exportLineBatches(createReadStream(file, { highWaterMark: READ_BYTES })),
        options.head,
      )
      if (!result.ok) run.end(EXIT.failed)
      show(run, result, () => {
        if (result.fault) {
          const { kind, seq, line } = result.fault
          return [`NOT intact, line ${line}${seq === null ? '' : `, entry ${seq}`}: ${kind}, ${FAULT_WORDS[kind]}`]
        }
        return [
          `intact: ${result.entries} entries up to ${result.lastSeq}:${result.lastHash}`,
          result.complete
            ? 'complete: no entry is missing between the first and the last'
            : 'filtered: each entry is genuine, that none is missing is not shown',
          options.head
            ? `head: entry ${options.head.seq} is there with the hash that was kept`
            : 'no head compared: a cut of the end or a log made anew shows only by one that was kept elsewhere (--head)',
        ]
      })
    })
}
