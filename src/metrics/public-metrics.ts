// What the public thread measures.
import type { DownloadMeter } from '../downloads/connection-house.js'
import { bounded } from './catalogue.js'
import { watchLoopDelay } from './loop-delay.js'
import { createMetricSet, type MetricSet } from './metric-set.js'

/** All that the byte server answers with; see download-plan.ts. */
const STATUSES = ['200', '206', '304', '400', '404', '405', '410', '412', '416', '429', '503']

export function createPublicMetrics(): { metrics: MetricSet; meter: DownloadMeter } {
  const metrics = createMetricSet('public')
  watchLoopDelay(metrics, 'public')
  const sent = metrics.counter('firmhand_download_sent_bytes_total')
  const acknowledged = metrics.counter('firmhand_download_acknowledged_bytes_total')
  const requests = metrics.counter('firmhand_download_requests_total')
  const ends = metrics.counter('firmhand_download_responses_ended_total')
  // A series that exists from the start shows its first increase too.
  for (const status of ['200', '206', '404', '410', '429']) requests.inc({ status }, 0)
  for (const cause of ['complete', 'fin', 'reset', 'timeout']) ends.inc({ cause }, 0)
  return {
    metrics,
    meter: {
      answered: (status) => requests.inc({ status: bounded(String(status), STATUSES) }),
      sent: (bytes) => sent.inc(bytes),
      acknowledged: (bytes) => acknowledged.inc(bytes),
      ended: (cause) => ends.inc({ cause }),
    },
  }
}
