// The metrics of one thread, made from the catalogue; and those of all threads put together into one text.
import { AggregatorRegistry, Counter, Gauge, Histogram, type MetricObject, Registry } from 'prom-client'
import { METRICS, type MetricDefinition, type MetricName, type ThreadName } from './catalogue.js'

/** What goes from thread to thread: plain values. */
export type MetricValues = MetricObject[]

/** prom-client's own content type, `text/plain; version=0.0.4; charset=utf-8`: the published text format. */
export const EXPOSITION_TYPE = Registry.PROMETHEUS_CONTENT_TYPE

export interface MetricSet {
  counter(name: MetricName): Counter
  gauge(name: MetricName): Gauge
  histogram(name: MetricName): Histogram
  /** Called before values are taken. */
  onCollect(collect: () => void | Promise<void>): void
  values(): Promise<MetricValues>
}

export function createMetricSet(thread: ThreadName): MetricSet {
  const registry = new Registry()
  const collectors: (() => void | Promise<void>)[] = []
  const made = new Map<string, Counter | Gauge | Histogram>()
  for (const [name, definition] of Object.entries(METRICS) as [string, MetricDefinition][]) {
    if (!definition.from.includes(thread)) continue
    const { help, labels = [], buckets } = definition
    const given = { name, help, labelNames: [...labels], registers: [registry] }
    if (definition.type === 'counter') made.set(name, new Counter(given))
    else if (definition.type === 'gauge') made.set(name, new Gauge(given))
    else made.set(name, new Histogram({ ...given, ...(buckets && { buckets: [...buckets] }) }))
  }
  return {
    counter: (name) => made.get(name) as Counter,
    gauge: (name) => made.get(name) as Gauge,
    histogram: (name) => made.get(name) as Histogram,
    onCollect: (collect) => void collectors.push(collect),
    values: async () => {
      for (const collect of collectors) await collect()
      return registry.getMetricsAsJSON()
    },
  }
}

/** Metrics without a value are left out; equal names of several threads are told apart by their label. */
export async function expose(parts: readonly MetricValues[]): Promise<string> {
  const filled = parts.map((part) => part.filter((metric) => (metric as { values?: unknown[] }).values?.length))
  return AggregatorRegistry.aggregate(filled).metrics()
}
