// docs/errors.md is written from the tables in the code. After a change there: npm test -- tests/docs/errors.test.ts -u
import { fileURLToPath } from 'node:url'
import { expect, it } from 'vitest'
import { ITEM_GUIDE } from '../../src/checkins/item-guide.js'
import { PROBLEMS, type ProblemCode } from '../../src/errors.js'
import { PROBLEM_GUIDE } from '../../src/http/problem-guide.js'
import { SKIP_GUIDE } from '../../src/tasks/skip-guide.js'

const FILE = fileURLToPath(new URL('../../docs/errors.md', import.meta.url))

type Guide = Record<string, { when: string; remedy: string }>
const cell = (text: string): string => text.replaceAll('|', '\\|')
/** Its cells padded, as the formatter of the house writes tables. */
function table(head: string[], rows: string[][]): string {
  const all = [head, ...rows].map((row) => row.map(cell))
  const widths = head.map((_name, column) => Math.max(...all.map((row) => row[column]!.length)))
  const line = (row: string[], fill = ' ') => `| ${row.map((text, i) => text.padEnd(widths[i]!, fill)).join(' | ')} |`
  const [first, ...rest] = all.map((row) => line(row))
  return [
    first,
    line(
      head.map(() => ''),
      '-',
    ),
    ...rest,
  ].join('\n')
}
const guideTable = (guide: Guide): string =>
  table(
    ['code', 'when', 'what to do'],
    Object.entries(guide).map(([code, { when, remedy }]) => [`\`${code}\``, when, remedy]),
  )

function document(): string {
  const codes = (Object.keys(PROBLEMS) as ProblemCode[]).sort((a, b) => PROBLEMS[a].status - PROBLEMS[b].status)
  const rows = codes.map((code) => [
    `\`${code}\``,
    String(PROBLEMS[code].status),
    PROBLEMS[code].title,
    PROBLEM_GUIDE[code].when,
    PROBLEM_GUIDE[code].remedy,
  ])
  return `# Errors: codes, and what to do

This file is written from the tables in the code; a test fails where it is stale.

Every failure of the API is a problem document (RFC 9457, \`application/problem+json\`). Rely on \`code\` and on the status; the
wording of \`title\` and \`detail\` may change. \`instance\` names the one answer: the log of the server has it. \`type\` leads to the
text below, on the office listener: \`/problems/CODE\`, without a key.

A client repeats on 503 and on no answer at all, later and later; on 429 after \`Retry-After\`; on 507 once there is room. What
else is refused is refused again. With an \`Idempotency-Key\` a change may be repeated without being made twice.

## Problems

${table(['code', 'status', 'title', 'when', 'what to do'], rows)}

## Units that an issue skips

In \`skipped\` of the answer of \`POST /api/v1/tasks\`, one for each unit that got no task.

${guideTable(SKIP_GUIDE)}

## Check-ins that are not accepted

In \`results\` of a check-in, one for each item that is \`accepted: false\`. The other items stand.

${guideTable(ITEM_GUIDE)}
`
}

it('docs/errors.md says what the tables of the code say', async () => {
  await expect(document()).toMatchFileSnapshot(FILE)
})

it('every code has a text that says when and what to do, in whole sentences', () => {
  const guides: Guide[] = [PROBLEM_GUIDE, SKIP_GUIDE, ITEM_GUIDE]
  for (const guide of guides) {
    for (const [code, { when, remedy }] of Object.entries(guide)) {
      expect(when.length, code).toBeGreaterThan(10)
      for (const text of [when, remedy]) expect(text, code).toMatch(/^[A-Z`].*\.$/s)
    }
  }
})
