// Settings: every fault is named at once, and nothing that is written wrongly passes in silence.
import path from 'node:path'
import { describe, expect, it } from 'vitest'
import { readClientConfig } from '../src/cli/client-config.js'
import { readConfig, SETTINGS_HELP } from '../src/config.js'
import { ConfigError } from '../src/errors.js'

function faultsOf(env: Record<string, string>, file?: Record<string, unknown>): string[] {
  try {
    readConfig(env, file)
    return []
  } catch (error) {
    if (!(error instanceof ConfigError)) throw error
    return error.faults.map(({ name }) => name).sort()
  }
}

describe('settings', () => {
  it('have defaults that work', () => {
    expect(readConfig({})).toEqual({
      dataFolder: path.resolve('data'),
      publicListen: { host: '::', port: 8080 },
      officeListen: { host: '127.0.0.1', port: 8081 },
      publicUrl: null,
      behindProxy: false,
      taskDeadlineHours: 168,
      stopGraceMs: 30_000,
      metricsOpen: false,
      scrubDays: 30,
      keep: { triesDays: 0, checkinsDays: 0, labelsDays: 0 },
      logLevel: 'info',
    })
    expect(SETTINGS_HELP.map(({ name }) => name)).toHaveLength(13)
    for (const { meaning } of SETTINGS_HELP) expect(meaning).toMatch(/\.$/)
  })

  it('come from the file, and from the environment before it', () => {
    const file = { FIRMHAND_TASK_DEADLINE_HOURS: 24, FIRMHAND_BEHIND_PROXY: true, FIRMHAND_LOG_LEVEL: 'warn' }
    expect(readConfig({ FIRMHAND_LOG_LEVEL: 'debug' }, file)).toMatchObject({
      taskDeadlineHours: 24,
      behindProxy: true,
      logLevel: 'debug',
    })
  })

  it.each([
    ['FIRMHAND_DATA', ['./d', '/srv/firmhand'], ['']],
    ['FIRMHAND_PUBLIC_LISTEN', ['0.0.0.0:80', '[::]:8080', 'localhost:0'], ['8080', ':8080', 'a:70000', '::1:80', '']],
    ['FIRMHAND_OFFICE_LISTEN', ['[::1]:1'], ['127.0.0.1']],
    [
      'FIRMHAND_PUBLIC_URL',
      ['', 'http://fw.example.com', 'http://192.0.2.1:8080/', 'https://fw.example.com'],
      ['fw.example.com', 'http://fw.example.com/a', 'http://fw.example.com/?x', 'http://u:p@fw.example.com', 'ftp://x'],
    ],
    ['FIRMHAND_BEHIND_PROXY', ['true', 'false', '1', '0'], ['yes', 'TRUE ', '']],
    ['FIRMHAND_TASK_DEADLINE_HOURS', ['1', '2160'], ['0', '2161', '1.5', '', '-1', '1e3', '0x10']],
    ['FIRMHAND_LOG_LEVEL', ['silent'], ['loud', '']],
  ])('%s takes what it should and refuses the rest', (name, right, wrong) => {
    for (const value of right) expect(faultsOf({ [name]: value }), value).toEqual([])
    for (const value of wrong) expect(faultsOf({ [name]: value }), value).toEqual([name])
  })

  it('are refused together, each fault named, from both places', () => {
    expect(
      faultsOf({ FIRMHAND_LOG_LEVEL: 'loud', FIRMHAND_PUBLIC_LISTEN: 'x' }, { FIRMHAND_BEHIND_PROXY: null, OTHER: 1 }),
    ).toEqual(['FIRMHAND_BEHIND_PROXY', 'FIRMHAND_LOG_LEVEL', 'FIRMHAND_PUBLIC_LISTEN', 'OTHER'])
  })

  it('that nobody knows are refused in the environment too: a typing error must not pass as a default', () => {
    expect(faultsOf({ FIRMHAND_BEHIND_PROXI: 'true' })).toEqual(['FIRMHAND_BEHIND_PROXI'])
    expect(faultsOf({ PATH: '/bin', FIRMHAND_URL: 'http://x', FIRMHAND_KEY: 'k' })).toEqual([]) // The client's own.
  })
})

describe('what the command line needs', () => {
  it('is an address with a default, and a key that may be missing', () => {
    expect(readClientConfig({})).toEqual({ url: 'http://127.0.0.1:8081', key: null })
    expect(readClientConfig({ FIRMHAND_URL: ' http://h:1 ', FIRMHAND_KEY: 'k\n' })).toEqual({
      url: 'http://h:1',
      key: 'k',
    })
  })
  it('is refused where it cannot be meant', () => {
    expect(() => readClientConfig({ FIRMHAND_URL: 'h:1' })).toThrow(ConfigError)
    expect(() => readClientConfig({ FIRMHAND_KEY: 'two words' })).toThrow(ConfigError)
  })
})
