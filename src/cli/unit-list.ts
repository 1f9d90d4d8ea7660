// What the server said of a list, as lines for people. Pure.

export interface Finding {
  line: number
  column: string | null
  value: string
  code: string
  detail: string
}
export interface ListAnswer {
  read: number
  created: number
  updated: number
  unchanged: number
  rejectedRows: number
  stored: boolean
  rejected: Finding[]
  cautions: Finding[]
}

/** Of a long list the first ones: --json prints all. */
const LINES_MAX = 50

export function findingLines(kind: string, findings: readonly Finding[]): string[] {
  const rest = findings.length - LINES_MAX
  return [
    ...findings.slice(0, LINES_MAX).map(({ line, column, value, code, detail }) => {
      const where = [column, value === '' ? '' : `"${value}"`].filter(Boolean).join(' ')
      return `  ${kind} line ${line}${where === '' ? '' : `, ${where}`}: ${detail} (${code})`
    }),
    ...(rest > 0 ? [`  and ${rest} more; --json lists all`] : []),
  ]
}

export function summary(answer: ListAnswer): string {
  const { read, created, updated, unchanged, rejectedRows } = answer
  const parts = [`${created} new`, `${updated} changed`, `${unchanged} unchanged`]
  if (rejectedRows > 0) parts.push(`${rejectedRows} refused`)
  return `${read} rows: ${parts.join(', ')}${answer.stored ? '' : '; nothing was stored'}`
}
