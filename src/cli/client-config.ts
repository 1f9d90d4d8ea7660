// Settings of the command line as a client of a running server. Pure.
import { ConfigError } from '../errors.js'

/** What the command line needs to reach a running server. @throws ConfigError */
export function readClientConfig(env: Record<string, string | undefined>): { url: string; key: string | null } {
  const url = env.FIRMHAND_URL?.trim() || 'http://127.0.0.1:8081'
  if (!URL.canParse(url) || !/^https?:$/.test(new URL(url).protocol)) {
    throw new ConfigError([
      { name: 'FIRMHAND_URL', detail: 'must be http://HOST:PORT, the office address of a server' },
    ])
  }
  const key = env.FIRMHAND_KEY?.trim() ?? ''
  if (!/^[!-~]*$/.test(key)) {
    throw new ConfigError([{ name: 'FIRMHAND_KEY', detail: 'holds a sign that no key has' }])
  }
  return { url, key: key === '' ? null : key }
}
