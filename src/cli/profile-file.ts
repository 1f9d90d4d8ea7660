// A profile from a file. Apart from the commands, since the schema takes longer to load than the answer of a server.
import { readFile } from 'node:fs/promises'
import { AppError } from '../errors.js'
import { profileFaults } from '../models/model.service.js'
import { Profile } from '../models/profile.js'

/** Reads and checks a profile without a server. */
export async function readProfile(file: string): Promise<Profile> {
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
