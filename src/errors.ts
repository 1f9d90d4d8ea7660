// Every problem a caller can be told of: one table, one class (RFC 9457). Clients rely on the code, never on the wording.

export const PROBLEMS = {
  'request-invalid': { status: 400, title: 'The request is not valid' },
  'body-unreadable': { status: 400, title: 'The body could not be read' },
  'key-missing': { status: 401, title: 'No valid key' },
  'csrf-missing': { status: 403, title: 'The session needs its CSRF token' },
  'role-insufficient': { status: 403, title: 'The key may not do this' },
  'origin-refused': { status: 403, title: 'The request comes from a page of another site' },
  'route-unknown': { status: 404, title: 'No such address' },
  'key-not-found': { status: 404, title: 'No such key' },
  'model-not-found': { status: 404, title: 'No such model' },
  'package-not-found': { status: 404, title: 'No such package' },
  'unit-not-found': { status: 404, title: 'No such unit' },
  'task-not-found': { status: 404, title: 'No such task' },
  'link-not-found': { status: 404, title: 'No such link' },
  'method-not-allowed': { status: 405, title: 'The address does not take this method' },
  'request-timeout': { status: 408, title: 'The body did not arrive in time' },
  'unit-taken': { status: 409, title: 'Another unit has this identity' },
  'version-taken': { status: 409, title: 'The version exists with other bytes' },
  'state-refused': { status: 409, title: 'Not possible in this state' },
  'acknowledgement-needed': { status: 409, title: 'The unit may be installing' },
  'nothing-issued': { status: 409, title: 'No task was issued' },
  'on-hold': { status: 409, title: 'The server is on hold' },
  'hold-not-reviewed': { status: 409, title: 'What is held was not acknowledged' },
  'package-damaged': { status: 409, title: 'The stored bytes of the package are damaged' },
  'backup-refused': { status: 409, title: 'No backup was made' },
  'backup-broken': { status: 422, title: 'The backup is not whole' },
  'restore-refused': { status: 409, title: 'Nothing was restored' },
  'folder-in-use': { status: 409, title: 'Another program uses the folder' },
  'scrub-running': { status: 409, title: 'A check of the stored packages is running' },
  'public-url-not-set': { status: 409, title: 'The public address is not set' },
  'body-too-large': { status: 413, title: 'The body is too large' },
  'media-type-unknown': { status: 415, title: 'The media type is not accepted' },
  'findings-open': { status: 409, title: 'The package has findings that forbid its release' },
  'digest-mismatch': { status: 422, title: 'The bytes do not match the digest' },
  'digest-field-invalid': { status: 400, title: 'The digest field cannot be read' },
  'upload-broken': { status: 400, title: 'The upload broke off' },
  'list-refused': { status: 422, title: 'The list has rows that cannot be taken' },
  'profile-invalid': { status: 422, title: 'The profile is not valid' },
  'listeners-full': { status: 429, title: 'The key listens too often already' },
  'idempotency-mismatch': { status: 422, title: 'The Idempotency-Key was used for another request' },
  'already-initialised': { status: 409, title: 'The data folder is initialised already' },
  'storage-full': { status: 507, title: 'The disk is full' },
  'not-ready': { status: 503, title: 'The server is not ready' },
  internal: { status: 500, title: 'The server failed' },
} as const

export type ProblemCode = keyof typeof PROBLEMS

export interface FieldFault {
  /** JSON pointer (RFC 6901) to the member at fault. */
  pointer: string
  detail: string
}

/** What a caller can cause. `detail` says what to do; `extra` members go into the problem document as they are. */
export class AppError extends Error {
  readonly code: ProblemCode
  readonly extra: Record<string, unknown>

  constructor(code: ProblemCode, detail: string, extra: Record<string, unknown> = {}, options?: { cause?: unknown }) {
    super(detail, options)
    this.name = 'AppError'
    this.code = code
    this.extra = extra
  }
}

export interface SettingFault {
  /** The setting, or the file that could not be read. */
  name: string
  detail: string
}

/** Names every wrong setting at once. */
export class ConfigError extends Error {
  readonly faults: SettingFault[]
  constructor(faults: SettingFault[]) {
    super(`Wrong settings:\n${faults.map(({ name, detail }) => `  ${name}: ${detail}`).join('\n')}`)
    this.name = 'ConfigError'
    this.faults = faults
  }
}
