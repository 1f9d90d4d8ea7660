// Examples of the API's description. Pure. A test holds each against the schema of its name; the identities are those of
// the invented demo fleet.
import { PROBLEMS, type ProblemCode } from '../errors.js'
import { PROBLEM_GUIDE } from '../http/problem-guide.js'

export const problemExample = (code: ProblemCode): Record<string, unknown> => ({
  type: `/problems/${code}`,
  title: PROBLEMS[code].title,
  status: PROBLEMS[code].status,
  code,
  detail: PROBLEM_GUIDE[code].remedy.replaceAll('`', ''),
  instance: 'r_019a0000000000000000000001',
})

const KEY = {
  id: 'k_019a0000000000000000000001',
  name: 'night shift',
  role: 'operator',
  createdAt: '2026-01-12T08:00:00.000Z',
  expiresAt: null,
  revokedAt: null,
}

export const EXAMPLES: Record<string, unknown[]> = {
  Problem: [problemExample('unit-not-found')],
  Key: [KEY],
  Checkin: [
    { unit: '009977022205074', version: 'W25-41', observedAt: '2026-01-12T08:30:00Z', id: 'r-1001' },
    { unit: '009977022205074', version: 'W25-41' },
  ],
  CheckinResults: [
    {
      results: [
        {
          index: 0,
          unit: 'u_019a0000000000000000000001',
          accepted: true,
          duplicate: false,
          task: 't_019a0000000000000000000001',
          state: 'applied',
          code: null,
        },
        { index: 1, unit: null, accepted: false, duplicate: false, task: null, state: null, code: 'unit-unknown' },
      ],
    },
  ],
  Skip: [{ unit: 'u_019a0000000000000000000001', code: 'unit-retired', detail: 'The unit is retired.' }],
  Link: [
    {
      id: 'l_019a0000000000000000000001',
      kind: 'copy',
      package: 'p_019a0000000000000000000001',
      unit: null,
      url: 'http://fw.example.com/d/abcdefghjkmnpqrs/tarnlight-W25-41.img',
      byteBudget: 13548576,
      expiresAt: '2026-01-19T08:00:00.000Z',
    },
  ],
}
