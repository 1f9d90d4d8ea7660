import { createReadStream } from 'node:fs'
import type { Command } from 'commander'
import { InvalidArgumentError } from 'commander'
import { exportLines } from '../audit/export-lines.js'
import { verifyExport } from '../audit/verify.js'
import type { Run } from './cli.js'
import { EXIT, show } from './command.js'

interface ExportOptions {
  unit?: string
  actor?: string
  action?: string
  from?: string
  to?: string
  format: string
}

function readHeadArgument(text: string): { seq: number; hash: string } {
  const match = /^(\d{1,15}):([0-9a-f]{64})$/i.exec(text)
  if (!match) throw new InvalidArgumentError('must be SEQ:HASH as printed by "firmhand audit head"')
  return { seq: Number(match[1]), hash: match[2]!.toLowerCase() }
}

export function auditCommands(program: Command, run: Run): void {
  const audit = program.command('audit').description('the log of who did what to which unit when')
  const context = () => ({ io: run.io, json: run.json() })
  audit
    .command('export')
    .description('print a copy of the log')
    .option('--format <FORMAT>', 'jsonl (verifiable) or csv', 'jsonl')
    .option('--unit <UNIT>')
    .option('--actor <KEY_ID>')
    .option('--action <ACTION>')
    .option('--from <TIME>', 'RFC 3339')
    .option('--to <TIME>', 'RFC 3339')
    .action(async (options: ExportOptions) => {
      const names = ['format', 'unit', 'actor', 'action', 'from', 'to'] as const
      const query = new URLSearchParams(
        names.flatMap((name): [string, string][] => (options[name] === undefined ? [] : [[name, options[name]]])),
      )
      const decoder = new TextDecoder()
      for await (const piece of await run.api().stream(`/audit?${query}`))
        run.io.out(decoder.decode(piece, { stream: true }))
      run.io.out(decoder.decode())
    })
  audit
    .command('head')
    .description('print SEQ:HASH of the newest entry; keep it elsewhere')
    .action(async () => {
      const head = await run.api().get<{ seq: number; hash: string }>('/audit/head')
      show(context(), head, () => [`${head.seq}:${head.hash}`])
    })
  audit
    .command('verify <FILE>')
    .description('check a copy, without a server')
    .option('--head <SEQ:HASH>', 'a head that was kept elsewhere: shows a cut tail and a full rewrite', readHeadArgument)
    .action(async (file: string, options: { head?: { seq: number; hash: string } }) => {
      const result = await verifyExport(exportLines(createReadStream(file)), options.head)
      if (!result.ok) run.end(EXIT.failed)
      show(context(), result, () => {
        if (result.fault) {
          const { kind, seq, line } = result.fault
          return [`NOT intact: ${kind}${seq === null ? '' : `, entry ${seq}`}, line ${line}`]
        }
        return [
          `intact: ${result.entries} entries up to ${result.lastSeq}:${result.lastHash}`,
          result.complete ? 'complete' : 'filtered: each entry is checked, completeness is not shown',
        ]
      })
    })
}
