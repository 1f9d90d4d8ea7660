import { readdirSync, readFileSync } from 'node:fs'
import { writeFile } from 'node:fs/promises'
import path from 'node:path'
import { setTimeout as waitMs } from 'node:timers/promises'
import { crc32 } from 'node:zlib'
import { afterAll, describe, expect, it } from 'vitest'
import { BEHAVIOUR_NAMES } from '../../src/camera/behaviour-list.js'
import { readText } from '../../src/camera/camera-model.js'
import { demoFirmware } from '../../src/camera/firmware-image.js'
import { readScenario, scenarioFrom } from '../../src/camera/scenario.js'
import { seededRandom } from '../../src/camera/seeded-random.js'
import { LEDGER_FLAGS } from '../../src/downloads/delivery.js'
import { ATTESTED_REASONS, FAILED_REASONS, METHODS, TASK_FLAGS } from '../../src/tasks/facts.js'
import { SKIP_CODES } from '../../src/tasks/issue-draft.js'
import gsm7 from '../vectors/gsm7.json' with { type: 'json' }
import imeiVectors from '../vectors/imei.json' with { type: 'json' }
import { fileAnswer, startPlainServer } from './plain-server.js'
import { endCameras, sha256, sha256sum, startCamera } from './test-camera.js'

const FOLDER = path.resolve(import.meta.dirname, '..', '..', 'demo-data')
const FILE = path.join(FOLDER, 'scenario.json')
const scenario = await readScenario(FILE)
const file = JSON.parse(readFileSync(FILE, 'utf8')) as { units: { behaviour: { parkedMs?: number } }[] }

interface Profile {
  id: string
  fileName: string | null
  command: { template: string; maxUnits: number; urlMaxBytes: number }
  times: { installSeconds: number }
}
const profiles = readdirSync(path.join(FOLDER, 'models')).map(
  (name) => JSON.parse(readFileSync(path.join(FOLDER, 'models', name), 'utf8')) as Profile,
)

/** 3GPP TS 23.003 annex B, worked here on its own: odd places from the right doubled, digits summed, to the next ten. */
function luhnDigit(body14: string): string {
  let sum = 0
  for (let i = 0; i < 14; i += 1) {
    const digit = Number(body14[13 - i])
    sum += i % 2 === 0 ? [0, 2, 4, 6, 8, 1, 3, 5, 7, 9][digit]! : digit
  }
  return String((10 - (sum % 10)) % 10)
}

describe('the identities of the demo fleet', () => {
  it('are IMEIs with their check digit; the routine agrees with the vectors', () => {
    for (const vector of imeiVectors.vectors) {
      if (vector.body14) expect(luhnDigit(vector.body14), vector.id).toBe(vector.check_digit)
    }
    for (const { imei } of scenario.units) expect(imei).toBe(imei.slice(0, 14) + luhnDigit(imei.slice(0, 14)))
  })

  it('carry allocation codes that begin with 00, and numbers of the range for fiction', () => {
    for (const { imei, phone } of scenario.units) {
      expect(imei).toMatch(/^0099770[12]/)
      expect(phone).toMatch(/^\+441632960\d{3}$/)
    }
  })
})

describe('the texts of the demo', () => {
  const septets = new Set(gsm7.reference.basic_table.map(({ char }) => char))
  const digests = { sha256: 'a'.repeat(64), crc32: '0f0f0f0f', sizeBytes: '25165824' }
  const filled = (template: string, url: string) =>
    template.replace(/\{(\w+)\}/g, (_, name: string) => ({ ...digests, url })[name] ?? `no value for ${name}`)

  it.each(profiles.map((profile) => [profile.id, profile] as const))(
    '%s: server profile and camera agree, within one SMS of basic GSM-7 signs (3GPP TS 23.038 §6.2.1)',
    (id, { command, fileName }) => {
      const model = scenario.cameraModels.find((camera) => camera.id === id)!
      const image = scenario.images.find((of) => of.model === id)!
      if (fileName !== null) expect(image.fileName).toBe(fileName.replace('{version}', image.version))
      const usual = `http://127.0.0.1:18080/d/23456789abcdefgh/${image.fileName}`
      const longest = usual.replace('127.0.0.1', '1'.repeat(command.urlMaxBytes - usual.length + 9))
      expect(longest).toHaveLength(command.urlMaxBytes)
      for (const url of [usual, longest]) {
        const text = filled(command.template, url)
        expect(text.length).toBeLessThanOrEqual(command.maxUnits)
        expect([...text].filter((sign) => !septets.has(sign))).toEqual([])
        const { address } = readText(model, text)
        expect(`http://${address.host}${address.port === 80 ? '' : `:${address.port}`}${address.path}`).toBe(url)
      }
      const other = scenario.cameraModels.find((camera) => camera.id !== id)!
      expect(() => readText(other, filled(command.template, usual))).toThrow()
    },
  )

  it('leave the server more time for an installation than the cameras take', () => {
    const { installMs, restartMs } = scenario.times
    for (const { times } of profiles) expect(times.installSeconds * 1_000).toBeGreaterThan(installMs + restartMs)
    for (const { behaviour } of file.units) {
      const longestMs = Math.max(...profiles.map(({ times }) => times.installSeconds * 1_000))
      if (behaviour.parkedMs !== undefined) expect(behaviour.parkedMs).toBeGreaterThan(longestMs)
    }
  })
})

describe('the fleet of the scenario', () => {
  it('shows every behaviour that there is, and every method', () => {
    expect(new Set(scenario.units.map(({ behaviourName }) => behaviourName))).toEqual(new Set(BEHAVIOUR_NAMES))
    expect(new Set(scenario.units.map(({ method }) => method))).toEqual(new Set(METHODS))
  })

  it('is explained, behaviour by behaviour, in its document', () => {
    const text = readFileSync(path.join(FOLDER, '..', 'docs', 'camera-simulator.md'), 'utf8')
    const rows = new Map(
      [...text.matchAll(/^\| `([a-z0-9-]+)` +\|[^|]+\|([^|]+)\|/gm)].map((match) => [match[1]!, match[2]!]),
    )
    expect(new Set(rows.keys())).toEqual(new Set(BEHAVIOUR_NAMES))
    for (const { behaviourName, method, expected } of scenario.units) {
      if (expected.state === 'skipped' || method !== 'air') continue
      const words = [expected.state, expected.reason ?? '', ...expected.flags, expected.standing ?? '']
      for (const word of words) expect(rows.get(behaviourName)).toContain(word)
    }
  })

  it('expects only what the record knows: states, reasons, flags, standings', () => {
    const reasons: readonly string[] = [...FAILED_REASONS, ...ATTESTED_REASONS, ...SKIP_CODES]
    const flags: readonly string[] = [...TASK_FLAGS, ...LEDGER_FLAGS]
    for (const { expected } of scenario.units) {
      if (expected.reason !== null) expect(reasons).toContain(expected.reason)
      for (const flag of expected.flags) expect(flags).toContain(flag)
    }
  })

  it('fits its names into the columns of the demo, and each is there once', () => {
    const names = scenario.units.map(({ notes }) => notes.split(',')[0]!)
    expect(new Set(names).size).toBe(names.length)
    for (const name of names) expect(name.length).toBeLessThanOrEqual(16)
  })
})

/** What is left on the disk, and what the camera says of itself in the end, where that is not a file and the target. */
const ENDS: Record<string, { holdsFile: boolean; says: 'target' | 'old' | 'nothing' }> = {
  'boots-back': { holdsFile: true, says: 'old' },
  'claims-too-early': { holdsFile: true, says: 'old' },
  'never-answers': { holdsFile: true, says: 'nothing' },
  'lies-about-version': { holdsFile: false, says: 'target' },
  refuses: { holdsFile: false, says: 'old' },
  'stalls-for-good': { holdsFile: false, says: 'old' },
  'downloads-for-ever': { holdsFile: false, says: 'old' },
}
const ENDLESS = ['stalls-for-good', 'downloads-for-ever']

/** All at once, on a machine that may be busy: no speed is claimed here. */
describe.concurrent('the cameras of the scenario', { timeout: 100_000 }, () => {
  afterAll(endCameras)
  const bytesOf = new Map(scenario.images.map((image) => [image.model, Buffer.concat([...demoFirmware(image)])]))

  it.each(scenario.units.map((unit) => [unit.notes, unit] as const))('%s', async (_notes, unit) => {
    const bytes = bytesOf.get(unit.model)!
    const image = scenario.images.find(({ model }) => model === unit.model)!
    const profile = profiles.find(({ id }) => id === unit.model)!
    const server = await startPlainServer(fileAnswer({ bytes }))
    const camera = await startCamera({
      model: scenario.cameraModels.find(({ id }) => id === unit.model)!,
      version: unit.version,
      behaviour: unit.behaviour(),
      random: seededRandom(2),
    })
    try {
      if (unit.expected.state === 'skipped') {
        expect((await camera.queryVersion())?.version).toBe(image.version)
        return
      }
      if (unit.method === 'air') {
        const told: Record<string, string> = {
          url: `http://127.0.0.1:${server.port}/d/23456789abcdefgh/${image.fileName}`,
          sha256: sha256(bytes),
          crc32: crc32(bytes).toString(16).padStart(8, '0'),
          sizeBytes: String(bytes.length),
        }
        camera.receiveText(profile.command.template.replace(/\{(\w+)\}/g, (_, name: string) => told[name]!))
      } else {
        const file = path.join(camera.folder, image.fileName)
        await writeFile(file, bytes)
        camera.receiveFile({ file, way: unit.method })
      }
      let isOver = false
      void camera.settled().then(() => (isOver = true))
      const isEndless = () => camera.kinds().includes('stalled') || server.requests.length > 3
      while (!isOver && !(ENDLESS.includes(unit.behaviourName) && isEndless())) {
        await camera.answersByAir()
        await waitMs(100)
      }
      const end = ENDS[unit.behaviourName] ?? { holdsFile: true, says: 'target' }
      await camera.queryVersion() // The first answer may be a claim; what counts is what it stays with.
      const said = (await camera.queryVersion())?.version ?? 'nothing'
      expect(said).toBe({ target: image.version, old: unit.version, nothing: 'nothing' }[end.says])
      expect(camera.file?.sha256 ?? null).toBe(end.holdsFile ? sha256(bytes) : null)
      if (camera.file) expect(sha256sum(camera.file.path) ?? sha256(bytes)).toBe(sha256(bytes))
      expect(isOver).toBe(!ENDLESS.includes(unit.behaviourName))
    } finally {
      await camera.stop()
      await server.close()
    }
  })
})

describe('a scenario file at fault', () => {
  const good = JSON.parse(readFileSync(FILE, 'utf8'))
  const changed = (change: (copy: typeof good) => void) => {
    const copy = structuredClone(good)
    change(copy)
    return () => scenarioFrom(copy)
  }

  it.each<[string, (copy: typeof good) => void]>([
    ['/title', (copy) => delete copy.title],
    ['/times/installMs', (copy) => (copy.times.installMs = 0)],
    ['/units', (copy) => (copy.units = {})],
    ['/units/1/imei', (copy) => (copy.units[1].imei = 99770102205070)],
    ['/units/0/phone', (copy) => (copy.units[0].phone = '01632 960311')],
    ['/units/0/model', (copy) => (copy.units[0].model = 'other')],
    ['/units/0/groups', (copy) => copy.units[0].groups.push('other')],
    ['/units/0/expected', (copy) => (copy.units[0].expected.reason = 'not-applied')],
    ['/units/0/expected/state', (copy) => (copy.units[0].expected.state = 'done')],
    ['/units/0/behaviour/name', (copy) => (copy.units[0].behaviour.name = 'toString')],
    ['/units/0/method', (copy) => (copy.units[0].method = 'post')],
    ['/units/0/expected/flags/0', (copy) => (copy.units[0].expected.flags = ['A flag'])],
    ['/units/0/expected/flags', (copy) => (copy.units[0].expected.flags = 'clock')],
    ['/units/0/word/note', (copy) => (copy.units[0].word = { state: 'confirmed' })],
    ['/units/0/word', (copy) => (copy.units[0].word = { state: 'failed', reason: 'no-life', note: 'x' })],
    ['/units/0/word', (copy) => (copy.units[0].word = { state: 'confirmed', reason: 'other', note: 'x' })],
    ['/units', (copy) => (copy.units[1].imei = copy.units[0].imei)],
    ['/cameraModels/0/textPattern', (copy) => (copy.cameraModels[0].textPattern = '^($')],
    ['/cameraModels/0/textPattern', (copy) => (copy.cameraModels[0].textPattern = 'url')],
    ['/images', (copy) => copy.images.pop()],
  ])('is refused with its place, %s', (place, change) => {
    expect(changed(change)).toThrow(`${place}: `)
  })

  it.each<[behaviour: Record<string, unknown>, place: string]>([
    [{ name: 'drops-and-resumes', dropAtBytes: ['far'], precondition: 'none' }, '/dropAtBytes/0'],
    [{ name: 'drops-and-resumes', dropAtBytes: [1], precondition: 'if-new' }, '/precondition'],
    [{ name: 'stalls-for-good', stallAtByte: 0, powerLost: false }, '/stallAtByte'],
    [{ name: 'stalls-for-good', stallAtByte: 1, powerLost: 'no' }, '/powerLost'],
    [{ name: 'parallel-ranges', sockets: 1 }, '/sockets'],
    [{ name: 'parallel-ranges', sockets: 9 }, '/sockets'],
    [{ name: 'small-pieces' }, '/pieceBytes'],
    [{ name: 'small-pieces', pieceBytes: 100 }, '/pieceBytes'],
    [{ name: 'reads-slowly', bytesPerSecond: 0 }, '/bytesPerSecond'],
    [{ name: 'pauses-to-erase', pauseAtBytes: 5, pauseMs: 5 }, '/pauseAtBytes'],
    [{ name: 'pauses-to-erase', pauseAtBytes: [5], pauseMs: 3_600_000 }, '/pauseMs'],
    [{ name: 'downloads-for-ever', failsAtByte: 1.5 }, '/failsAtByte'],
    [{ name: 'wrong-digest-once' }, '/retryMs'],
    [{ name: 'opened-in-a-browser', browserBytes: '1' }, '/browserBytes'],
    [{ name: 'lies-about-version', claims: '' }, '/claims'],
    [{ name: 'claims-too-early', claims: 'a b' }, '/claims'],
    [{ name: 'answers-out-of-order', heldBack: 1 }, '/heldBack'],
    [{ name: 'installs-at-ignition', parkedMs: -1 }, '/parkedMs'],
  ])('%j is refused at its option', (behaviour, place) => {
    expect(changed((copy) => (copy.units[0].behaviour = behaviour))).toThrow(`/units/0/behaviour${place}: `)
  })

  it('and read where nothing is', () => {
    expect(changed(() => {})).not.toThrow()
  })

  it('is named where it cannot be read at all', async () => {
    await expect(readScenario(path.join(FOLDER, 'none.json'))).rejects.toThrow('none.json')
  })
})
