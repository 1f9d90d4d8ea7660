import { readFile } from 'node:fs/promises'
import type { Command } from 'commander'
import { AppError } from '../errors.js'
import { profileFaults } from '../models/model.service.js'
import { Profile } from '../models/profile.js'

import { type Run, show, table } from './command.js'

interface ModelRow {
  id: string
  profile: Profile
  changedAt: string
}

/** Reads and checks a profile without a server. */
async function readProfile(file: string): Promise<Profile> {
  let value: unknown
  try {
    value = JSON.parse(await readFile(file, 'utf8'))
  } catch (error) {
    throw new AppError('profile-invalid', `${file} cannot be read as JSON: ${(error as Error).message}`)
  }
  const { data, error } = Profile.safeParse(value)
  const errors = error
    ? error.issues.map((issue) => ({ pointer: `/${issue.path.join('/')}`, detail: issue.message }))
    : profileFaults(data!)
  if (errors.length > 0) throw new AppError('profile-invalid', `${file} is no valid profile.`, { errors })
  return data!
}

export function modelCommands(program: Command, run: Run): void {
  const model = program.command('model').description('camera models and their profiles')
  model
    .command('add <FILE>')
    .description('create or replace a model by its profile')
    .action(async (file: string) => {
      const profile = await readProfile(file)
      const saved = await run.api().send<ModelRow>('PUT', `/models/${encodeURIComponent(profile.id)}`, profile)
      show(run, saved, () => [`model ${saved.id} saved`])
    })
  model
    .command('check <FILE>')
    .description('check a profile without a server')
    .action(async (file: string) => {
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
