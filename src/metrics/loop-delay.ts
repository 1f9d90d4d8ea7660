// How long the event loop of a thread is held up: a timer measures by how much it comes late itself.

import type { ThreadName } from './catalogue.js'
import type { MetricSet } from './metric-set.js'

/** Ten samples a second cost nothing; a pause is seen whole by the sample that it holds up. */
const EVERY_MS = 100

export function watchLoopDelay(metrics: MetricSet, thread: ThreadName): void {
  const delays = metrics.histogram('firmhand_event_loop_delay_seconds')
  let dueMs = performance.now() + EVERY_MS
  setInterval(() => {
    const nowMs = performance.now()
    delays.observe({ thread }, Math.max(0, nowMs - dueMs) / 1000)
    dueMs = nowMs + EVERY_MS
  }, EVERY_MS).unref()
}
