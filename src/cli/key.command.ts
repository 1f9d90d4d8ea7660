import { type Command, Option } from 'commander'
import { ROLES } from '../access/roles.js'

import { type Run, show, table } from './command.js'

interface KeyRow {
  id: string
  name: string
  role: string
  createdAt: string
  expiresAt: string | null
  revokedAt: string | null
}

export function keyCommands(program: Command, run: Run): void {
  const key = program.command('key').description('keys of people, scripts and platforms')
  key
    .command('add')
    .description('make a key; its secret is shown this once')
    .requiredOption('--name <NAME>', 'whose key it is')
    .addOption(new Option('--role <ROLE>', 'what it may do').choices(ROLES).makeOptionMandatory())
    .option('--expires-at <TIME>', 'RFC 3339; without it the key lives until it is revoked')
    .action(async (options: { name: string; role: string; expiresAt?: string }) => {
      const { name, role, expiresAt } = options
      const body = { name, role, expiresAt }
      const made = await run.api().send<{ id: string; secret: string }>('POST', '/keys', body)
      show(run, made, () => [`key ${made.id}, shown this once:`, made.secret])
    })
  key
    .command('list')
    .description('all keys, without their secrets')
    .action(async () => {
      const { items } = await run.api().get<{ items: KeyRow[] }>('/keys')
      show(run, items, () =>
        table([
          ['id', 'role', 'name', 'state'],
          ...items.map((row) => [
            row.id,
            row.role,
            row.name,
            row.revokedAt ? `revoked ${row.revokedAt}` : row.expiresAt ? `until ${row.expiresAt}` : 'live',
          ]),
        ]),
      )
    })
  key
    .command('revoke <ID>')
    .description('the key and its sessions end at once')
    .action(async (id: string) => {
      await run.api().send('DELETE', `/keys/${encodeURIComponent(id)}`)
      show(run, { revoked: id }, () => [`revoked ${id}`])
    })
}
