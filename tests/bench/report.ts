// What a bench prints: product and peer side by side, the ratio of their medians, and the aim of the project beside it.
// A bench never fails by time: who reads it judges, on a machine whose load stands in the last line.
import os from 'node:os'

export const median = (values: readonly number[]): number => {
  const sorted = [...values].sort((a, b) => a - b)
  const middle = Math.floor(sorted.length / 2)
  return sorted.length % 2 === 1 ? sorted[middle]! : (sorted[middle - 1]! + sorted[middle]!) / 2
}

export interface Compared {
  name: string
  product: readonly number[]
  peer: readonly number[]
  unit: string
  /** `max`: product/peer at most, as of times; `min`: at least, as of rates. */
  aim?: { max: number } | { min: number }
}

/** One figure without a peer, with or without an aim. */
export interface Figure {
  name: string
  value: number
  unit: string
  max?: number
}

const digits = (value: number): string => (value >= 100 ? value.toFixed(0) : value.toPrecision(3))

function verdict(value: number, aim: { max: number } | { min: number }): string {
  const isMet = 'max' in aim ? value <= aim.max : value >= aim.min
  const words = 'max' in aim ? `at most ${aim.max}` : `at least ${aim.min}`
  return `${words}: ${isMet ? 'met' : 'BELOW THE AIM'}`
}

export function report(bench: string, lines: readonly (Compared | Figure)[]): void {
  const rows = lines.map((line) => {
    if ('value' in line) {
      const aim = line.max === undefined ? '' : verdict(line.value, { max: line.max })
      return [line.name, `${digits(line.value)} ${line.unit}`, '', '', aim]
    }
    const [product, peer] = [median(line.product), median(line.peer)]
    const ratio = product / peer
    return [
      line.name,
      `${digits(product)} ${line.unit}`,
      `${digits(peer)} ${line.unit}`,
      `${ratio.toFixed(2)} x`,
    ].concat(line.aim ? verdict(ratio, line.aim) : '')
  })
  const table = [['', 'product', 'peer', 'ratio', 'aim'], ...rows]
  const widths = table[0]!.map((_, column) => Math.max(...table.map((row) => row[column]!.length)))
  const text = table.map((row) =>
    row
      .map((cell, column) => cell.padEnd(widths[column]!))
      .join('  ')
      .trimEnd(),
  )
  const load = os.loadavg()[0]!.toFixed(1)
  process.stdout.write(`\n${text.map((line) => `${bench}  ${line}`).join('\n')}\n`)
  process.stdout.write(`${bench}  (${os.availableParallelism()} processors, load average ${load})\n`)
}
