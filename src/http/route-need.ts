// What a route demands of its caller, readable from the route itself: its guard carries it. So the API's document and the
// tests of roles say what is checked and not what somebody wrote down beside it. Pure.

/** `any-key`: every live key or session. `report`: keys of role check-in on the public listener. */
export type RouteNeed = 'read' | 'operate' | 'integrate' | 'any-key' | 'report'

const NEED = Symbol('need')

export const guarding = <T extends object>(need: RouteNeed, guard: T): T => Object.assign(guard, { [NEED]: need })

/** The need of the first guard among a route's onRequest hooks; null = open to everyone. */
export function needOf(hooks: unknown): RouteNeed | null {
  for (const hook of [hooks].flat()) {
    const need = (hook as { [NEED]?: RouteNeed } | undefined)?.[NEED]
    if (need) return need
  }
  return null
}
