// Text that no store and no log could keep: half a surrogate pair (RFC 8785 refuses to write it, I-JSON to carry it) and NUL
// (PostgreSQL has no text with it). Pure; looks at a parsed body before anything else does.
import type { FieldFault } from '../errors.js'

/** No body of ours is nested deeper than 6; what is deeper was made to overflow somebody's stack. */
export const DEPTH_MAX = 32

export const canBeStored = (text: string): boolean => !/[\0\ud800-\udfff]/u.test(text)

/** A member's name as a part of a JSON pointer (RFC 6901 §3). */
export const pointerPart = (name: string): string => name.replaceAll('~', '~0').replaceAll('/', '~1')

/** The first such text in a value from JSON; null = none. Buffers and streams are no text. */
export function textFault(body: unknown): FieldFault | null {
  const open: { value: unknown; pointer: string; depth: number }[] = [{ value: body, pointer: '', depth: 0 }]
  for (let item = open.pop(); item; item = open.pop()) {
    const { value, pointer, depth } = item
    if (typeof value === 'string' && !canBeStored(value)) {
      return { pointer, detail: 'holds half a character or a NUL, which cannot be stored' }
    }
    if (!isPlain(value)) continue
    if (depth >= DEPTH_MAX) return { pointer: '', detail: `is nested deeper than ${DEPTH_MAX} levels` }
    for (const [name, inner] of Object.entries(value)) {
      if (!canBeStored(name)) return { pointer, detail: 'has a member whose name cannot be stored' }
      open.push({ value: inner, pointer: `${pointer}/${pointerPart(name)}`, depth: depth + 1 })
    }
  }
  return null
}

const isPlain = (value: unknown): value is object => {
  if (typeof value !== 'object' || value === null) return false
  return Array.isArray(value) || Object.getPrototypeOf(value) === Object.prototype
}
