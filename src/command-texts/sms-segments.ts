// How many messages a text takes (3GPP TS 23.038, TS 23.040 §9.2.3.24.1). Pure.
import { gsm7Codes } from './gsm7.js'

const SMS_OCTETS = 140 // TP-UD of one message, 3GPP TS 23.040 §9.2.3.24.
const CONCAT_HEADER_OCTETS = 6 // Length, IEI, IE length, reference of 8 bits, total, index: §9.2.3.24.1.

/** Septets (GSM-7) and UTF-16 code units (UCS-2) that one message carries, alone and as a part of several. */
const CAPACITY = {
  'GSM-7': { alone: Math.floor((SMS_OCTETS * 8) / 7), part: Math.floor(((SMS_OCTETS - CONCAT_HEADER_OCTETS) * 8) / 7) },
  'UCS-2': { alone: SMS_OCTETS / 2, part: (SMS_OCTETS - CONCAT_HEADER_OCTETS) / 2 },
} as const

/** Enough to show a person; a text in another script would list every one of its characters. */
export const MISFITS_MAX = 20

export interface Misfit {
  char: string
  /** U+201C. */
  codePoint: string
  /** In UTF-16 code units from the start of the text. */
  index: number
}

export interface TextMeasure {
  encoding: 'GSM-7' | 'UCS-2'
  units: number
  segments: number
  /** Units in each part, without its header. */
  perSegment: number[]
  /** The characters that forced UCS-2, the first MISFITS_MAX of them. */
  misfits: Misfit[]
}

/** An empty text is nothing to send: no segments. */
export function measureText(text: string): TextMeasure {
  const misfits: Misfit[] = []
  const septets: number[] = []
  const codeUnits: number[] = []
  let index = 0
  for (const char of text) {
    const codes = gsm7Codes(char)
    if (codes === null && misfits.length < MISFITS_MAX) misfits.push({ char, codePoint: nameOf(char), index })
    septets.push(codes?.length ?? 0)
    codeUnits.push(char.length)
    index += char.length
  }
  const encoding = misfits.length === 0 ? 'GSM-7' : 'UCS-2'
  const perSegment = fill(encoding === 'GSM-7' ? septets : codeUnits, CAPACITY[encoding])
  const units = perSegment.reduce((sum, part) => sum + part, 0)
  return { encoding, units, segments: perSegment.length, perSegment, misfits }
}

export function nameOf(char: string): string {
  return `U+${char.codePointAt(0)!.toString(16).toUpperCase().padStart(4, '0')}`
}

/**
 * What belongs together, an escape and its code or the halves of a surrogate pair, stays in one part. Common practice,
 * no source: some gateways cut blindly and take one part less.
 */
function fill(costs: number[], { alone, part }: { alone: number; part: number }): number[] {
  const total = costs.reduce((sum, cost) => sum + cost, 0)
  if (total === 0) return []
  if (total <= alone) return [total]
  const parts = [0]
  for (const cost of costs) {
    if (parts.at(-1)! + cost > part) parts.push(0)
    parts[parts.length - 1]! += cost
  }
  return parts
}
