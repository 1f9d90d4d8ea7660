// Lists of units as tests send them.
import type { Finding } from '../../src/csv/finding.js'
import type { Answer, TestApp } from '../support/app.js'

export const sendList = (test: TestApp, body: string | Uint8Array, query = '', headers: Record<string, string> = {}) =>
  test.call('POST', `/units/import${query}`, body, { headers: { 'content-type': 'text/csv', ...headers } })

/** Line, column and code of each refusal: what a test states. */
export const refusals = (answer: Answer): [number, string | null, string][] =>
  answer.body.rejected.map((row: Finding) => [row.line, row.column, row.code])
export const cautions = (answer: Answer): [number, string | null, string][] =>
  answer.body.cautions.map((row: Finding) => [row.line, row.column, row.code])

export const countUnits = async (test: TestApp): Promise<number> => {
  const { body } = await test.call('GET', '/units/export')
  return body.trim().split('\r\n').length - 1
}
