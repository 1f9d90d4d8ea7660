// The tables as the code sees them. The migrations are the truth; a test compares both.
import type { ColumnType } from 'kysely'

/** Unix time, ms, UTC. PostgreSQL hands bigint over as text: stores pass what they read through Number(). */
type Ms = ColumnType<number | string, number, number>
type Big = Ms
/** 0 or 1: SQLite has no boolean. */
type Flag = 0 | 1
/** JSON as text, read and written by the store of the table. */
type Json = string

export interface Database {
  server: { id: string; created_at_ms: Ms; settings: Json | null }
  access_key: {
    id: string
    name: string
    role: string
    secret_hash: string
    created_at_ms: Ms
    expires_at_ms: Ms | null
    revoked_at_ms: Ms | null
  }
  session: { id_hash: string; key_id: string; csrf_hash: string; expires_at_ms: Ms }
  idempotency: { key_id: string; name: string; request_hash: string; response: Json; at_ms: Ms }
  model: { id: string; profile: Json; created_at_ms: Ms; changed_at_ms: Ms }
  blob: {
    sha256: string
    size_bytes: Big
    sha1: string
    md5: string
    crc32: string
    /** 32 bytes of SHA-256 for each block of 1 MiB, one after the other, base64: binary column types are not portable. */
    block_digests: string
    stored_at_ms: Ms
  }
  package: {
    id: string
    model_id: string
    version: string
    file_name: string
    sha256: string
    state: string
    installs_over: Json | null
    findings: Json
    notes: string
    withdrawn_reason: string | null
    created_at_ms: Ms
    created_by: string
  }
  unit: {
    id: string
    imei: string | null
    serial: string | null
    model_id: string
    hardware: string | null
    phone: string | null
    iccid: string | null
    time_zone: string
    data_allowance_bytes: Big | null
    notes: string
    version: string | null
    version_observed_at_ms: Ms | null
    retired: Flag
    created_at_ms: Ms
  }
  unit_group: { unit_id: string; name: string }
  checkin: {
    id: string
    unit_id: string
    source: string
    external_id: string | null
    version: string
    raw_version: string
    /** observedAt as it came, impossible times too: a report that is sent again is known by it. */
    stated_at_ms: Ms | null
    observed_at_ms: Ms
    received_at_ms: Ms
    timing: string
    answers_query_sent_at_ms: Ms | null
    digest: string | null
    note: string | null
    key_id: string | null
  }
  task: {
    id: string
    unit_id: string
    package_id: string
    method: string
    from_version: string | null
    to_version: string
    state: string
    reason: string | null
    issued_at_ms: Ms
    issued_by: string
    deadline_ms: Ms
    closed_at_ms: Ms | null
    due_at_ms: Ms | null
    supersedes: string | null
    superseded_by: string | null
    link_id: string | null
    terms: Json
    moves: Json
    flags: Json
    afterwards: Json
  }
  command: {
    task_id: string
    /** The text with `{token}` in place of the link's token: the database alone gives no link away. */
    masked_text: string
    encoding: string
    units: number
    segments: number
    cautions: Json
    composed_at_ms: Ms
  }
  task_fact: { id: string; task_id: string; kind: string; at_ms: Ms; actor_id: string; detail: Json }
  link: {
    id: string
    token_hash: string
    kind: string
    package_id: string
    unit_id: string | null
    file_name: string
    byte_budget_bytes: Big
    expires_at_ms: Ms | null
    created_at_ms: Ms
    created_by: string
    end_reason: string | null
    ended_at_ms: Ms | null
  }
  link_task: { link_id: string; task_id: string }
  ledger: {
    link_id: string
    sent: Json
    acknowledged: Json
    inferred: Json
    sent_bytes: Big
    duplicate_bytes: Big
    first_asked_at_ms: Ms | null
    last_byte_at_ms: Ms | null
    complete_at_ms: Ms | null
    complete_grade: string | null
    budget_spent_at_ms: Ms | null
    flags: Json
  }
  fetch_try: {
    id: string
    link_id: string
    started_at_ms: Ms
    ended_at_ms: Ms | null
    method: string
    status: number
    first: Big | null
    last: Big | null
    sent_bytes: Big
    acknowledged_bytes: Big
    end_cause: string
    remote_address: string
    user_agent: string | null
    flags: Json
  }
  audit: {
    seq: number
    at_ms: Ms
    action: string
    actor_id: string
    unit_id: string | null
    task_id: string | null
    /** RFC 8785 bytes of the entry without hash and labels: exactly what was hashed. */
    body: string
    hash: string
    /** Personal data, outside the hashed bytes; null = none, or erased. */
    labels: Json | null
  }
  hold: {
    id: string
    cause: string
    reason: string
    set_at_ms: Ms
    set_by: string
    /** From when on time does not count against a unit: for a restored server the time of the backup. */
    counts_from_ms: Ms
    backup: Json | null
    /** What was held when it was set. */
    numbers: Json
    released_at_ms: Ms | null
    released_by: string | null
    note: string | null
  }
  blob_check: {
    sha256: string
    checked_at_ms: Ms | null
    /** Serving met something odd: the file is to be looked at as a whole. */
    suspect_at_ms: Ms | null
    damaged_at_ms: Ms | null
    fault: string | null
  }
  scrub: {
    id: string
    package_id: string | null
    started_at_ms: Ms
    started_by: string
    ended_at_ms: Ms | null
    /** The file that was checked last: a restart goes on behind it. */
    after_sha256: string
    files: number
    bytes: Big
    checked_files: number
    checked_bytes: Big
    damaged: Json
  }
  upkeep: { name: string; detail: Json }
}
