import { readdirSync, readFileSync } from 'node:fs'
import path from 'node:path'
import { setTimeout as waitMs } from 'node:timers/promises'
import { crc32 } from 'node:zlib'
import { afterEach, describe, expect, it } from 'vitest'
import { readText } from '../../src/camera/camera-model.js'
import { demoFirmware } from '../../src/camera/firmware-image.js'
import { readScenario, scenarioFrom } from '../../src/camera/scenario.js'
import { seededRandom } from '../../src/camera/seeded-random.js'
import gsm7 from '../vectors/gsm7.json' with { type: 'json' }
import imeiVectors from '../vectors/imei.json' with { type: 'json' }
import { fileAnswer, startPlainServer } from './plain-server.js'
import { endCameras, sha256, sha256sum, startCamera } from './test-camera.js'

const FOLDER = path.resolve(import.meta.dirname, '..', '..', 'demo-data')
const FILE = path.join(FOLDER, 'scenario.json')
const scenario = await readScenario(FILE)

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
  })
})

describe('the cameras of the scenario', () => {
  afterEach(endCameras)
  const bytesOf = new Map(scenario.images.map((image) => [image.model, Buffer.concat([...demoFirmware(image)])]))

  it.each(scenario.units.map((unit) => [unit.notes, unit] as const))('%s', async (_notes, unit) => {
    const bytes = bytesOf.get(unit.model)!
    const image = scenario.images.find(({ model }) => model === unit.model)!
    const profile = profiles.find(({ id }) => id === unit.model)!
    const server = await startPlainServer(fileAnswer({ bytes }))
    try {
      const camera = await startCamera({
        model: scenario.cameraModels.find(({ id }) => id === unit.model)!,
        version: unit.version,
        behaviour: unit.behaviour(),
        random: seededRandom(2),
      })
      if (unit.expected.state === 'skipped') {
        expect((await camera.queryVersion())?.version).toBe(image.version)
        return
      }
      const told: Record<string, string> = {
        url: `http://127.0.0.1:${server.port}/d/23456789abcdefgh/${image.fileName}`,
        sha256: sha256(bytes),
        crc32: crc32(bytes).toString(16).padStart(8, '0'),
        sizeBytes: String(bytes.length),
      }
      camera.receiveText(profile.command.template.replace(/\{(\w+)\}/g, (_, name: string) => told[name]!))
      if (unit.expected.reason === 'fetch-stalled') {
        await camera.told('stalled')
        expect(unit.deadlineSeconds).not.toBeNull()
        expect(camera.file).toBeNull()
        await waitMs(200)
        const { socket } = server.requests[0]!
        expect(socket.destroyed).toBe(false)
        expect(socket.writableLength).toBeGreaterThan(0) // The kernels' buffers are full: the server cannot send it all.
        return
      }
      await camera.settled()
      expect(camera.file?.sha256).toBe(sha256(bytes))
      expect(sha256sum(camera.file!.path) ?? sha256(bytes)).toBe(sha256(bytes))
      const runs = unit.expected.state === 'confirmed' ? image.version : unit.version
      expect((await camera.queryVersion())?.version).toBe(runs)
      expect(runs === image.version).toBe(unit.expected.state === 'confirmed')
    } finally {
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
    ['/units/3/behaviour/dropAtBytes/0', (copy) => (copy.units[3].behaviour.dropAtBytes = ['far'])],
    ['/units/3/behaviour/precondition', (copy) => (copy.units[3].behaviour.precondition = 'if-new')],
    ['/units', (copy) => (copy.units[1].imei = copy.units[0].imei)],
    ['/cameraModels/0/textPattern', (copy) => (copy.cameraModels[0].textPattern = '^($')],
    ['/cameraModels/0/textPattern', (copy) => (copy.cameraModels[0].textPattern = 'url')],
    ['/images', (copy) => copy.images.pop()],
  ])('is refused with its place, %s', (place, change) => {
    expect(changed(change)).toThrow(`${place}: `)
  })

  it('and read where nothing is', () => {
    expect(changed(() => {})).not.toThrow()
  })

  it('is named where it cannot be read at all', async () => {
    await expect(readScenario(path.join(FOLDER, 'none.json'))).rejects.toThrow('none.json')
  })
})
