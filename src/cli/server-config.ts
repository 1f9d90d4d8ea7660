// The server's settings, for the commands that work on its data folder. Apart from serve, which loads the server.
import { readFile } from 'node:fs/promises'
import { type Config, type ListenAddress, readConfig } from '../config.js'
import { ConfigError } from '../errors.js'
import type { Run } from './command.js'

export async function configFrom(run: Run, file: string | undefined): Promise<Config> {
  if (file === undefined) return readConfig(run.io.env)
  let values: unknown
  try {
    values = JSON.parse(await readFile(file, 'utf8'))
  } catch (error) {
    throw new ConfigError([{ name: file, detail: `cannot be read as JSON: ${(error as Error).message}` }])
  }
  if (typeof values !== 'object' || values === null || Array.isArray(values)) {
    throw new ConfigError([{ name: file, detail: 'must hold one JSON object with the settings as members' }])
  }
  return readConfig(run.io.env, values as Record<string, unknown>)
}

/** Where a listener is reached from this machine. */
export const urlOf = ({ host, port }: ListenAddress): string =>
  `http://${host.includes(':') ? `[${host}]` : host}:${port}`
