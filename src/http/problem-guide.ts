// When each problem occurs and what a client does about it: the texts of docs/errors.md and of /problems/CODE. Pure. The
// compiler asks for a text for every code of errors.ts.
import type { ProblemCode } from '../errors.js'

/** When a code is given, and what its receiver does. */
export interface Advice {
  when: string
  remedy: string
}

export const PROBLEM_GUIDE: Record<ProblemCode, Advice> = {
  'request-invalid': {
    when: 'A member of the body, the query, the path or a header field breaks a rule; `errors` names each by JSON pointer.',
    remedy: 'Correct what `errors` names. The same request again is refused again.',
  },
  'body-unreadable': {
    when: 'The body is empty, cut short, or not of the form that its Content-Type states. Nothing of it was taken.',
    remedy: 'Send a whole body; check quoting and encoding (UTF-8).',
  },
  'key-missing': {
    when: 'There is no key or session, or it is unknown, revoked or past its time.',
    remedy: 'Send `Authorization: Bearer KEY` with a live key; a browser logs in again.',
  },
  'csrf-missing': {
    when: 'A session asks for a change without its token, or with the token of another session.',
    remedy: 'Send the `csrfToken` that the login returned in the field `X-CSRF-Token`, or log in again.',
  },
  'role-insufficient': {
    when: 'The key is live, but its role does not reach so far. The body was not looked at.',
    remedy: 'Use a key of a role that the reference page names for the call.',
  },
  'origin-refused': {
    when: 'A session’s cookie came with a request that a page of another origin made.',
    remedy:
      'Open the page from the office address itself. A proxy in front has to pass `Host` on unchanged. Scripts use a key.',
  },
  'route-unknown': {
    when: 'No call has this address.',
    remedy: 'Compare with /openapi.json: spelling, `/api/v1`, no slash at the end, which of the two listeners.',
  },
  'key-not-found': { when: 'No key has this id.', remedy: 'List the keys; the id is not the secret.' },
  'model-not-found': { when: 'No model has this id.', remedy: 'Add its profile first, or correct the id.' },
  'package-not-found': { when: 'No package has this id.', remedy: 'List the packages; the id is not the version.' },
  'unit-not-found': {
    when: 'No unit has this id, IMEI or serial number.',
    remedy: 'Add the unit, or correct the name. An IMEI has 15 digits.',
  },
  'task-not-found': { when: 'No task has this id.', remedy: 'List the tasks of the unit.' },
  'link-not-found': { when: 'No link has this id.', remedy: 'Take the id from the task; the token is not the id.' },
  'method-not-allowed': {
    when: 'The address exists, but not for this method.',
    remedy: 'Use one of the methods in the field `Allow`.',
  },
  'unit-taken': {
    when: 'Another unit already has the IMEI or the serial number.',
    remedy: 'Change that unit instead, or correct the identity.',
  },
  'version-taken': {
    when: 'The model has this version already, with other bytes. Bytes of a package never change.',
    remedy: 'Give the new file a version of its own.',
  },
  'state-refused': {
    when: 'The task, package or link is in a state in which this cannot be done; `detail` says which.',
    remedy: 'Read it again and decide anew. The same request again is refused again.',
  },
  'acknowledgement-needed': {
    when: 'The unit has the file and may be installing: cancelling or superseding does not stop it.',
    remedy: 'If that is understood, send the request again with `"acknowledge": "may-be-installing"`.',
  },
  'nothing-issued': {
    when: 'No unit got a task, or `allOrNothing` was asked and one was skipped. Nothing is stored.',
    remedy: 'Read `skipped`: a code and a sentence for each unit.',
  },
  'public-url-not-set': {
    when: 'A link is wanted, and the server does not know what links begin with.',
    remedy: 'The integrator sets `FIRMHAND_PUBLIC_URL` and starts the server again.',
  },
  'on-hold': {
    when: 'The server is on hold, after a restore or by an integrator’s word: nothing goes out.',
    remedy: 'Read `GET /hold`; the integrator releases it once the numbers there were looked at.',
  },
  'hold-not-reviewed': {
    when: 'The release of a hold does not name what is held, or names other numbers than there are now.',
    remedy: 'Read `GET /hold` again and release with its numbers.',
  },
  'package-damaged': {
    when: 'The stored bytes of the package are no longer those that were uploaded. They are not served.',
    remedy: 'The integrator uploads the same file again, which puts it right; look after the disk.',
  },
  'backup-refused': {
    when: 'The folder named for a backup cannot take one; `detail` says why.',
    remedy: 'Name an empty folder, or one that holds a backup of this server.',
  },
  'backup-broken': {
    when: 'A file of the backup is missing, changed or cut, or does not fit the others. Nothing was restored.',
    remedy: 'Take another backup; `detail` names the first file at fault.',
  },
  'restore-refused': {
    when: 'The data folder is not empty, or the backup is of a newer program.',
    remedy: 'Restore into an empty or absent folder, with a program that is not older than the backup.',
  },
  'folder-in-use': {
    when: 'A server or another command works on the folder.',
    remedy: 'Stop it, or wait for its end.',
  },
  'scrub-running': {
    when: 'A check of the stored packages is under way; one runs at a time.',
    remedy: 'Wait for its end: `GET /packages/scrub` shows how far it is.',
  },
  'request-timeout': {
    when: 'The body came too slowly or not at all. Nothing of it was taken.',
    remedy: 'Send it again over a better connection, or in smaller calls.',
  },
  'list-refused': {
    when: 'A list of units has rows that cannot be taken, and taking the others alone was not asked for. Nothing is stored.',
    remedy: 'Correct what `rejected` names by line and column; `partial=true` takes the good rows.',
  },
  'body-too-large': {
    when: 'The body, or the number of items in it, is above the limit of the call.',
    remedy: 'Send it in several calls.',
  },
  'media-type-unknown': {
    when: 'The Content-Type is none that the call takes, or the bytes are encoded.',
    remedy: 'Send the type that the reference page names, without Content-Encoding.',
  },
  'findings-open': {
    when: 'The file looks wrong (empty, a saved web page), and its release was asked for.',
    remedy:
      'Read `findings` of the package and upload the right file; a finding that is known goes into `acceptFindings`.',
  },
  'digest-mismatch': {
    when: 'The bytes that arrived are not those that the digest field names. They are not kept.',
    remedy: 'Hash the file again and repeat the upload.',
  },
  'digest-field-invalid': {
    when: 'Repr-Digest or Content-Digest is not in the form of RFC 9530.',
    remedy: 'Send `Repr-Digest: sha-256=:BASE64:`, or leave the field out.',
  },
  'upload-broken': {
    when: 'The connection ended before the last byte of the file. Nothing is kept.',
    remedy: 'Upload the file again from its start.',
  },
  'profile-invalid': {
    when: 'The profile is well-formed but cannot work: a template, a file name or a limit contradicts another.',
    remedy: 'Correct what `errors` names; `firmhand model check FILE` tells the same without a server.',
  },
  'listeners-full': {
    when: 'The key has as many event streams open as one key may have.',
    remedy: 'Close streams that nobody reads; `Retry-After` says when to try again. One stream serves many screens.',
  },
  'idempotency-mismatch': {
    when: 'The Idempotency-Key was used within 24 h for a request with another address or body.',
    remedy: 'Make a new key for every request, and repeat a key only with the very same request.',
  },
  'already-initialised': {
    when: 'The data folder has its first key.',
    remedy: 'Use that key; where it is lost, `firmhand init --new-key` on the server’s machine makes one more.',
  },
  'storage-full': {
    when: 'The disk of the server is full. The request changed nothing.',
    remedy: 'The integrator makes room; then send the same request again.',
  },
  'not-ready': {
    when: 'The server starts, stops, or has too much waiting. The request changed nothing.',
    remedy: 'Wait a few seconds, longer each time, and send the same request again.',
  },
  internal: {
    when: 'A fault of the server. Nothing was stored by the request.',
    remedy: 'Report the `instance`: the log of the server has the cause under it. Repeating may help once.',
  },
}
