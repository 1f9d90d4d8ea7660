// What the writing thread measures: its transactions, and the check-ins of both listeners.

import { ITEM_CODES } from '../checkins/checkin.js'
import type { CheckinResult } from '../checkins/checkin.service.js'
import type { WriteObserver } from '../db/write-queue.driver.js'
import { watchLoopDelay } from './loop-delay.js'
import { createMetricSet, type MetricSet } from './metric-set.js'

export interface WriterMetrics {
  metrics: MetricSet
  observer: WriteObserver
  /** After the commit. Unknown units are counted here, and nowhere stored. */
  countCheckins(results: readonly CheckinResult[]): void
}

export function createWriterMetrics(): WriterMetrics {
  const metrics = createMetricSet('writer')
  watchLoopDelay(metrics, 'writer')
  const pieces = metrics.histogram('firmhand_write_batch_pieces')
  const seconds = metrics.histogram('firmhand_write_batch_seconds')
  const faults = metrics.counter('firmhand_write_faults_total')
  const checkins = metrics.counter('firmhand_checkins_total')
  for (const result of ['accepted', 'duplicate', ...ITEM_CODES]) checkins.inc({ result }, 0)
  return {
    metrics,
    observer: {
      wrote(group) {
        pieces.observe(group.pieces)
        seconds.observe(group.ms / 1000)
        if (group.failed) faults.inc()
      },
    },
    countCheckins(results) {
      for (const { code, duplicate } of results) {
        checkins.inc({ result: code ?? (duplicate ? 'duplicate' : 'accepted') })
      }
    },
  }
}
