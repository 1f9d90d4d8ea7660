// The limits that docs/api.md states are those of the code.
import { readFileSync } from 'node:fs'
import http from 'node:http'
import { fileURLToPath } from 'node:url'
import { expect, it } from 'vitest'
import { CHECKIN_BODY_MAX_BYTES, CHECKINS_MAX } from '../../src/checkins/checkin.js'
import { LISTENERS_MAX, LISTENERS_PER_KEY_MAX } from '../../src/events/event.routes.js'
import { BODY_MAX_BYTES } from '../../src/http/app.driver.js'
import { FAULTS_MAX } from '../../src/http/problem.js'
import { DEPTH_MAX } from '../../src/http/stored-text.js'
import { LIST_LIMIT_MAX } from '../../src/http/zod-routes.js'
import { ISSUE_MAX } from '../../src/tasks/issue.service.js'
import { ISSUE_BODY_MAX_BYTES } from '../../src/tasks/task.routes.js'

const number = (value: number): string => value.toLocaleString('en-US')
const mebibytes = (bytes: number): string => `${bytes / 1024 / 1024} MiB`

it('states the limits as they are', () => {
  const text = readFileSync(fileURLToPath(new URL('../../docs/api.md', import.meta.url)), 'utf8')
  const rows = new Map([...text.matchAll(/^\| ([^|]+?) +\| ([^|]+?) +\|/gm)].map((match) => [match[1], match[2]]))
  const wanted: [string, string][] = [
    ['a JSON body', mebibytes(BODY_MAX_BYTES)],
    ['units in one issue', `${number(ISSUE_MAX)}, in a body of ${mebibytes(ISSUE_BODY_MAX_BYTES)}`],
    ['check-ins in one call', `${number(CHECKINS_MAX)}, in a body of ${mebibytes(CHECKIN_BODY_MAX_BYTES)}`],
    ['items of a page (`limit`)', number(LIST_LIMIT_MAX)],
    ['nesting of a body', `${DEPTH_MAX} levels`],
    ['faults named in one answer', number(FAULTS_MAX)],
    ['event streams', `${LISTENERS_PER_KEY_MAX} for a key, ${LISTENERS_MAX} in all`],
    ['a request’s head (address and fields)', `${http.maxHeaderSize / 1024} KiB`],
  ]
  for (const [what, limit] of wanted) expect(rows.get(what), what).toBe(limit)
})
