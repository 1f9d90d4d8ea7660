import type { Command } from 'commander'
import type { Profile } from '../models/profile.js'
import { type Run, show, table } from './command.js'

interface ModelRow {
  id: string
  profile: Profile
  changedAt: string
}

export function modelCommands(program: Command, run: Run): void {
  const model = program.command('model').description('camera models and their profiles')
  model
    .command('add <FILE>')
    .description('create or replace a model by its profile')
    .action(async (file: string) => {
      const { readProfile } = await import('./profile-file.js')
      const profile = await readProfile(file)
      const saved = await run.api().send<ModelRow>('PUT', `/models/${encodeURIComponent(profile.id)}`, profile)
      show(run, saved, () => [`model ${saved.id} saved`])
    })
  model
    .command('check <FILE>')
    .description('check a profile without a server')
    .action(async (file: string) => {
      const { readProfile } = await import('./profile-file.js')
      const profile = await readProfile(file)
      show(run, profile, () => [`${file}: a valid profile of model ${profile.id}`])
    })
  model
    .command('list')
    .description('all models')
    .action(async () => {
      const items = await run.api().all<ModelRow>('/models')
      show(run, items, () => table([['id', 'title'], ...items.map((row) => [row.id, row.profile.title])]))
    })
  model
    .command('show <ID>')
    .description('one profile')
    .action(async (id: string) => {
      const found = await run.api().get<ModelRow>(`/models/${encodeURIComponent(id)}`)
      show(run, found, () => [JSON.stringify(found.profile, null, 2)])
    })
}
