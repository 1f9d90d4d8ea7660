// Against a published life of a firmware update: the transitions and refusals of OMA LwM2M object 5 (Firmware Update),
// tests/vectors/firmware-update-states.json. Our units have no agent; what their server can see of each event is a fact
// here. The rule that both share: downloaded is not installed, and only a new version reported is a success.
import { readFileSync } from 'node:fs'
import { describe, expect, it } from 'vitest'
import { actionsAllowed } from '../../src/tasks/actions.js'
import { derive } from '../../src/tasks/derive.js'
import type { Fact, TaskState } from '../../src/tasks/facts.js'
import { at, cancel, complete, partial, reply, report, sent, termsOf } from './histories.js'

interface Vector {
  id: string
  group: string
  from: string
  event: string
  update_result?: number
  expect?: string
}
const file = new URL('../vectors/firmware-update-states.json', import.meta.url)
const { vectors } = JSON.parse(readFileSync(file, 'utf8')) as { vectors: Vector[] }
const of = (group: string): Vector[] => vectors.filter((vector) => vector.group === group)

const old = report('1.0', -60)
/** What stands behind the published states where the server looks from outside. */
const BEFORE: Record<string, Fact[]> = {
  Idle: [old],
  Downloading: [old, sent(1), partial(10)],
  Downloaded: [old, sent(1), complete(10)],
  Updating: [old, sent(1), complete(10), reply('checked', 11)],
  'Idle (just updated)': [old, sent(1), complete(10), report('2.0', 45), report('2.0', 65)],
}
const STATE_OF: Record<string, TaskState> = {
  Idle: 'queued',
  Downloading: 'queued',
  Downloaded: 'fetched',
  Updating: 'verified',
  'Idle (just updated)': 'confirmed',
}
/** What the server sees of an event, and where the task then stands. Events it cannot see leave the task as it was. */
const SEEN: Record<string, [facts: Fact[], state: string]> = {
  'download complete': [[complete(15)], 'fetched'],
  // A difference: there one failed check ends the try. Units without an agent retry by themselves, so one mismatch is
  // a standing and the second is final (domain rule 10).
  'integrity check fails': [[report('1.0', 15, { digest: '00'.repeat(32) })], 'queued'],
  'package type unknown': [[reply('refused', 15)], 'failed'],
  'storage too small': [[reply('refused', 15)], 'failed'],
  'out of memory': [[reply('refused', 15)], 'failed'],
  'invalid URI written': [[reply('refused', 15)], 'failed'],
  'URI with unsupported scheme written': [[reply('refused', 15)], 'failed'],
  'installation succeeds': [[report('2.0', 50)], 'applied'],
  'installation fails': [[report('1.0', 50), report('1.0', 61)], 'failed'],
  'empty URI written': [[cancel(15)], 'cancelled'],
  'Cancel executed': [[cancel(15)], 'cancelled'],
}

describe('published transitions (LwM2M object 5)', () => {
  it('are there to be checked', () => {
    expect(of('lwm2m_transition').length).toBeGreaterThan(0)
    expect(of('lwm2m_forbidden').length).toBeGreaterThan(0)
  })

  it.each(of('lwm2m_transition'))('$id: $from, $event', ({ from, event, update_result }) => {
    const before = BEFORE[from]
    expect(before, `a state that is not known here: ${from}`).toBeDefined()
    const [facts, goal] = SEEN[event] ?? [[], STATE_OF[from]]
    const { state } = derive(termsOf(), [...before!, ...facts], at(70))
    expect(state).toBe(goal)
    // Result 1 is the only success: nothing else comes as far as applied.
    expect(['applied', 'confirmed'].includes(state)).toBe(update_result === 1)
  })

  it.each(of('lwm2m_forbidden').filter(({ event }) => event === 'Cancel executed'))(
    '$id: $from, $event is refused',
    ({ from }) => {
      const { state } = derive(termsOf(), BEFORE[from]!, at(70))
      expect(state).toBe(STATE_OF[from])
      // While installing, the task can be let go, but only by one who says that the installation may go on (rule 7).
      const { cancel: isAllowed, acknowledge } = actionsAllowed(state)
      expect(isAllowed && acknowledge === null).toBe(false)
    },
  )
})
