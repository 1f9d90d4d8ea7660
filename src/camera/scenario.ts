// The demo's scenario: an invented fleet, what each of its cameras does, and how its task is to end.
// Read from demo-data/scenario.json and checked; a fault names its place in the file.
import { readFile } from 'node:fs/promises'
import type { Behaviour } from './behaviour.js'
import { behaviourFrom } from './behaviour-list.js'
import type { CameraModel } from './camera-model.js'
import type { ImageOrder } from './firmware-image.js'
import { type JsonReader, readerOf } from './json-reader.js'

export interface ScenarioImage extends ImageOrder {
  fileName: string
}

export interface ScenarioUnit {
  imei: string
  /** E.164. */
  phone: string
  model: string
  hardware: string
  /** In words, e.g. which lorry it sits in. */
  notes: string
  groups: string[]
  timeZone: string
  /** What runs before the demo. */
  version: string
  behaviourName: string
  /** Makes the behaviour anew for each run: behaviours remember. */
  behaviour: () => Behaviour
  /** How its task is done. All but `air` by a person at the camera. */
  method: 'air' | 'cable' | 'card' | 'hotspot'
  /** Of its task, counted from the issue; null = the server's default. */
  deadlineSeconds: number | null
  /** What a person says of the task: `failed` at once, `confirmed` when its standing is late though it is applied. */
  word: { state: 'confirmed' | 'failed'; reason: string | null; note: string } | null
  expected: Expected
}

export interface Expected {
  /** `skipped` = the issue names this unit among the skipped, with the reason as code. */
  state: 'confirmed' | 'failed' | 'skipped'
  reason: string | null
  /** All flags that the task has at the end, sorted. */
  flags: string[]
  /** A standing that is to be seen on the way. */
  standing: string | null
  /** Meanings that are to be among what was reported after the close. */
  afterwards: string[]
}

export interface Scenario {
  title: string
  times: { installMs: number; restartMs: number; pauseMs: number; pollEveryMs: number; wholeRunSeconds: number }
  cameraModels: CameraModel[]
  /** The target of each model. */
  images: ScenarioImage[]
  groups: { name: string; title: string }[]
  units: ScenarioUnit[]
}

const NAME = /^[A-Za-z0-9.-]{1,64}$/
const CODE = /^[a-z-]{1,64}$/
const MS_MAX = 600_000
const IMAGE_BYTES_MAX = 128 * 1024 * 1024
const STORAGE_BYTES_MAX = 1024 * 1024 * 1024 // A scenario must not fill the disk of the machine it runs on.

export async function readScenario(file: string): Promise<Scenario> {
  try {
    return scenarioFrom(JSON.parse(await readFile(file, 'utf8')))
  } catch (error) {
    throw new Error(`The scenario ${file} cannot be used. ${(error as Error).message}`, { cause: error })
  }
}

export function scenarioFrom(value: unknown): Scenario {
  const root = readerOf(value)
  const times = root.member('times')
  const ms = (name: string) => times.member(name).whole({ min: 1, max: MS_MAX })
  const scenario: Scenario = {
    title: root.member('title').text(),
    times: {
      installMs: ms('installMs'),
      restartMs: ms('restartMs'),
      pauseMs: ms('pauseMs'),
      pollEveryMs: ms('pollEveryMs'),
      wholeRunSeconds: times.member('wholeRunSeconds').whole({ min: 1, max: MS_MAX / 1_000 }),
    },
    cameraModels: root.list('cameraModels', modelFrom),
    images: root.list('images', imageFrom),
    groups: root.list('groups', (group) => ({
      name: group.member('name').text(NAME),
      title: group.member('title').text(),
    })),
    units: root.list('units', unitFrom),
  }
  checkTogether(scenario)
  return scenario
}

function modelFrom(model: JsonReader): CameraModel {
  return {
    id: model.member('id').text(NAME),
    textPattern: patternFrom(model.member('textPattern')),
    fileNamePattern: patternFrom(model.member('fileNamePattern')),
    urlBytesMax: model.member('urlBytesMax').whole({ min: 1, max: 1_024 }),
    storageBytesMax: model.member('storageBytesMax').whole({ min: 1, max: STORAGE_BYTES_MAX }),
    fieldSearch: model.member('fieldSearch').oneOf(['exact-case', 'any-case']),
  }
}

/** A camera reads the whole text or nothing: a pattern without its two ends would take a text with anything around it. */
function patternFrom(reader: JsonReader): RegExp {
  const source = reader.text(/^\^.*\$$/)
  try {
    return new RegExp(source)
  } catch {
    return reader.fail('must be a regular expression')
  }
}

function imageFrom(image: JsonReader): ScenarioImage {
  return {
    model: image.member('model').text(NAME),
    version: image.member('version').text(NAME),
    fileName: image.member('fileName').text(NAME),
    sizeBytes: image.member('sizeBytes').whole({ min: 1_024, max: IMAGE_BYTES_MAX }),
    seed: image.member('seed').whole({ min: 0 }),
  }
}

function unitFrom(unit: JsonReader): ScenarioUnit {
  const behaviour = unit.member('behaviour')
  const { name } = behaviourFrom(behaviour) // Made once here, so that a wrong option shows before the demo starts.
  return {
    imei: unit.member('imei').text(/^\d{15}$/),
    phone: unit.member('phone').text(/^\+[1-9]\d{1,14}$/), // ITU-T E.164 §6.
    model: unit.member('model').text(NAME),
    hardware: unit.member('hardware').text(),
    notes: unit.member('notes').text(),
    groups: unit.list('groups', (group) => group.text(NAME)),
    timeZone: unit.member('timeZone').text(),
    version: unit.member('version').text(NAME),
    behaviourName: name,
    behaviour: () => behaviourFrom(behaviour),
    method: unit.member('method').oneOf(['air', 'cable', 'card', 'hotspot']),
    deadlineSeconds: unit.optional('deadlineSeconds')?.whole({ min: 1, max: 86_400 }) ?? null,
    word: wordFrom(unit.optional('word')),
    expected: expectedFrom(unit.member('expected')),
  }
}

function wordFrom(word: JsonReader | null): ScenarioUnit['word'] {
  if (word === null) return null
  return {
    state: word.member('state').oneOf(['confirmed', 'failed']),
    reason: word.optional('reason')?.text(CODE) ?? null,
    note: word.member('note').text(),
  }
}

function expectedFrom(expected: JsonReader): Expected {
  const codes = (name: string) =>
    expected.optional(name) === null ? [] : expected.list(name, (item) => item.text(CODE)).sort()
  return {
    state: expected.member('state').oneOf(['confirmed', 'failed', 'skipped']),
    reason: expected.optional('reason')?.text(CODE) ?? null,
    flags: codes('flags'),
    standing: expected.optional('standing')?.text(CODE) ?? null,
    afterwards: codes('afterwards'),
  }
}

/** What one part of the file says of another. */
function checkTogether({ cameraModels, images, groups, units }: Scenario): void {
  const fail = (place: string, what: string): never => readerOf(null, place).fail(what)
  const alone = (place: string, values: string[]) => {
    const double = values.find((value, index) => values.indexOf(value) !== index)
    if (double !== undefined) fail(place, `"${double}" is there twice`)
  }
  alone(
    '/cameraModels',
    cameraModels.map(({ id }) => id),
  )
  alone(
    '/images',
    images.map(({ model }) => model),
  )
  alone(
    '/units',
    units.flatMap(({ imei, phone }) => [imei, phone]),
  )
  for (const { id } of cameraModels) {
    if (!images.some(({ model }) => model === id)) fail('/images', `the model "${id}" has no image`)
  }
  for (const [index, { model, groups: named, expected, method, word }] of units.entries()) {
    if (!cameraModels.some(({ id }) => id === model)) fail(`/units/${index}/model`, `"${model}" is not a camera model`)
    const unknown = named.find((name) => !groups.some((group) => group.name === name))
    if (unknown !== undefined) fail(`/units/${index}/groups`, `"${unknown}" is not a group`)
    if ((expected.state === 'confirmed') !== (expected.reason === null)) {
      fail(`/units/${index}/expected`, 'a reason goes with failed and skipped, and with nothing else')
    }
    if (word !== null && (word.state === 'failed') !== (word.reason !== null)) {
      fail(`/units/${index}/word`, 'a reason goes with failed, and with nothing else')
    }
    if (word !== null && (word.state === 'failed') !== (method !== 'air')) {
      fail(`/units/${index}/word`, 'a person fails a task that is done by hand, and confirms one that is done by air')
    }
  }
}
