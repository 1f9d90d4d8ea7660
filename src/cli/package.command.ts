import path from 'node:path'
import type { Command } from 'commander'

import { listOf, type Run, show, table } from './command.js'

interface PackageRow {
  id: string
  model: string
  version: string
  state: string
  fileName: string
  sizeBytes: number
  digests: { sha256: string; md5: string; crc32: string; sha1: string }
  findings: { level: string; code: string; text: string }[]
  installsOver: string[] | null
  notes: string
}

const lines = (pack: PackageRow): string[] => [
  `package ${pack.id}  ${pack.model} ${pack.version}  ${pack.state}`,
  `file    ${pack.fileName}, ${pack.sizeBytes} bytes`,
  `SHA-256 ${pack.digests.sha256}`,
  `SHA-1   ${pack.digests.sha1}`,
  `MD5     ${pack.digests.md5}`,
  `CRC-32  ${pack.digests.crc32}`,
  `over    ${pack.installsOver === null ? 'any version' : pack.installsOver.join(', ')}`,
  ...pack.findings.map((finding) => `${finding.level}: ${finding.text} (${finding.code})`),
]

export function packageCommands(program: Command, run: Run): void {
  const pack = program.command('package').description('firmware files')
  const at = (id: string, verb = '') => `/packages/${encodeURIComponent(id)}${verb}`

  pack
    .command('add <FILE>')
    .description('upload a file as a draft')
    .requiredOption('--model <MODEL>', 'which model it is for')
    .requiredOption('--version <VERSION>', 'as the cameras will report it')
    .option('--file-name <NAME>', 'what the file is to be called; default: its own name')
    .option('--installs-over <VERSIONS>', 'comma-separated: the versions it may be installed over; default: any')
    .option('--repr-digest <FIELD>', 'RFC 9530, e.g. sha-256=:…:, refused where the bytes differ')
    .action(
      async (
        file: string,
        options: { model: string; version: string; fileName?: string; installsOver?: string; reprDigest?: string },
      ) => {
        const query = new URLSearchParams({
          model: options.model,
          version: options.version,
          fileName: options.fileName ?? path.basename(file),
        })
        const headers: Record<string, string> =
          options.reprDigest === undefined ? {} : { 'repr-digest': options.reprDigest }
        let added = await run.api().upload<PackageRow>(`/packages?${query}`, file, headers)
        if (options.installsOver !== undefined) {
          const installsOver = listOf(options.installsOver)
          added = await run.api().send<PackageRow>('PATCH', at(added.id), { installsOver })
        }
        show(run, added, () => lines(added))
      },
    )
  pack
    .command('list')
    .description('all packages')
    .option('--model <MODEL>', 'of this model')
    .action(async (options: { model?: string }) => {
      const query = options.model === undefined ? '' : `?model=${encodeURIComponent(options.model)}`
      const items = await run.api().all<PackageRow>(`/packages${query}`)
      show(run, items, () =>
        table([
          ['id', 'model', 'version', 'state', 'bytes', 'file'],
          ...items.map((row) => [row.id, row.model, row.version, row.state, String(row.sizeBytes), row.fileName]),
        ]),
      )
    })
  pack
    .command('show <ID>')
    .description('one package with its digests and findings')
    .action(async (id: string) => {
      const found = await run.api().get<PackageRow>(at(id))
      show(run, found, () => lines(found))
    })
  pack
    .command('release <ID>')
    .description('from now on tasks may be issued for it')
    .option('--accept-findings <CODES>', 'comma-separated codes of findings that are known and wanted')
    .action(async (id: string, options: { acceptFindings?: string }) => {
      const acceptFindings = listOf(options.acceptFindings ?? '')
      const released = await run.api().send<PackageRow>('POST', at(id, '/release'), { acceptFindings })
      show(run, released, () => lines(released))
    })
  pack
    .command('withdraw <ID>')
    .description('stop it everywhere: queued tasks are cancelled, links answer 410, running downloads are reset')
    .requiredOption('--reason <TEXT>', 'why, for the record')
    .action(async (id: string, options: { reason: string }) => {
      const withdrawn = await run.api().send<PackageRow>('POST', at(id, '/withdraw'), { reason: options.reason })
      show(run, withdrawn, () => lines(withdrawn))
    })
}
