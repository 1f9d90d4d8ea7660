// Every metric of the server: one table, from which the registries are made and against which docs/metrics.md is held.
// Names and units by the published conventions of the Prometheus project ("Metric and label naming"): a prefix of the
// application, base units as suffix, `_total` for counters. `process_` names are the ones its client libraries share.
// Labels have few, known values, and none of them names a unit, a link, a key or a person. Pure.

export const THREADS = ['main', 'writer', 'public'] as const
export type ThreadName = (typeof THREADS)[number]

export interface MetricDefinition {
  type: 'counter' | 'gauge' | 'histogram'
  help: string
  /** Which threads measure it. */
  from: readonly ThreadName[]
  labels?: readonly string[]
  buckets?: readonly number[]
}

export const METRICS = {
  firmhand_build_info: {
    type: 'gauge',
    help: 'Always 1; the labels say what runs.',
    from: ['main'],
    labels: ['version', 'node_version'],
  },
  firmhand_thread_up: {
    type: 'gauge',
    help: '1 where the thread answered this scrape in time. Without its answer its metrics are missing.',
    from: ['main'],
    labels: ['thread'],
  },
  firmhand_event_loop_delay_seconds: {
    type: 'histogram',
    help: 'By how much a timer of 100 ms came late: how long work held up everything else in the thread.',
    from: THREADS,
    labels: ['thread'],
    buckets: [0.001, 0.005, 0.01, 0.025, 0.05, 0.1, 0.2, 0.5, 1, 5],
  },
  process_start_time_seconds: { type: 'gauge', help: 'Start of the process, Unix time.', from: ['main'] },
  process_cpu_seconds_total: { type: 'counter', help: 'CPU time of all threads, user and system.', from: ['main'] },
  process_resident_memory_bytes: { type: 'gauge', help: 'Memory that the process holds.', from: ['main'] },
  process_open_fds: { type: 'gauge', help: 'Open file descriptors; Linux only.', from: ['main'] },
  process_max_fds: { type: 'gauge', help: 'How many file descriptors it may open; Linux only.', from: ['main'] },
  firmhand_disk_free_bytes: {
    type: 'gauge',
    help: 'Room for the server’s user on the file system of the data folder.',
    from: ['main'],
  },
  firmhand_disk_size_bytes: { type: 'gauge', help: 'Size of that file system.', from: ['main'] },
  firmhand_disk_free_inodes: { type: 'gauge', help: 'Files that can still be made on it.', from: ['main'] },
  firmhand_event_streams: { type: 'gauge', help: 'Open streams of /api/v1/events.', from: ['main'] },
  firmhand_audit_last_seq: { type: 'gauge', help: 'Number of the newest entry of the audit log.', from: ['main'] },
  firmhand_counts_age_seconds: {
    type: 'gauge',
    help: 'Age of the numbers that are counted in the database: tasks, links, units, packages.',
    from: ['main'],
  },
  firmhand_tasks: { type: 'gauge', help: 'Tasks by state, closed ones included.', from: ['main'], labels: ['state'] },
  firmhand_tasks_closed: {
    type: 'gauge',
    help: 'Tasks that ended otherwise than confirmed, by how and why.',
    from: ['main'],
    labels: ['state', 'reason'],
  },
  firmhand_links_live: { type: 'gauge', help: 'Links that would give their file.', from: ['main'] },
  firmhand_units: { type: 'gauge', help: 'Units in the record, retired ones included.', from: ['main'] },
  firmhand_packages: { type: 'gauge', help: 'Packages by state.', from: ['main'], labels: ['state'] },
  firmhand_stored_bytes: { type: 'gauge', help: 'Sum of the stored package files.', from: ['main'] },
  firmhand_write_queue_depth: { type: 'gauge', help: 'Pieces of work that wait to be written.', from: ['writer'] },
  firmhand_write_batch_pieces: {
    type: 'histogram',
    help: 'Pieces of work in one transaction.',
    from: ['writer'],
    buckets: [1, 2, 4, 8, 16, 32, 64, 128, 256],
  },
  firmhand_write_batch_seconds: {
    type: 'histogram',
    help: 'From the begin of a transaction to its commit on disk.',
    from: ['writer'],
    buckets: [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 5, 30],
  },
  firmhand_write_faults_total: {
    type: 'counter',
    help: 'Transactions that failed as a whole: a full disk, a database that is held.',
    from: ['writer'],
  },
  firmhand_checkins_total: {
    type: 'counter',
    help: 'Check-ins of both listeners since the start: accepted, duplicate, or the code of the refusal.',
    from: ['writer'],
    labels: ['result'],
  },
  firmhand_public_connections: { type: 'gauge', help: 'Open connections of the public listener.', from: ['public'] },
  firmhand_downloads_running: {
    type: 'gauge',
    help: 'Connections with a response that has not arrived as a whole yet.',
    from: ['public'],
  },
  firmhand_download_sent_bytes_total: {
    type: 'counter',
    help: 'Body bytes of /d/ handed to the kernel since the start, doubles included.',
    from: ['public'],
  },
  firmhand_download_acknowledged_bytes_total: {
    type: 'counter',
    help: 'Of these, bytes that the far TCP end acknowledged, by the kernel’s count.',
    from: ['public'],
  },
  firmhand_download_requests_total: {
    type: 'counter',
    help: 'Answers of the byte server by status.',
    from: ['public'],
    labels: ['status'],
  },
  firmhand_download_responses_ended_total: {
    type: 'counter',
    help: 'Responses with a body, by how they ended.',
    from: ['public'],
    labels: ['cause'],
  },
} as const satisfies Record<string, MetricDefinition>

export type MetricName = keyof typeof METRICS

/** Values of labels are counted under their own name only where they are known: a set that grows would fill a scraper. */
export const bounded = (value: string, known: readonly string[]): string => (known.includes(value) ? value : 'other')
