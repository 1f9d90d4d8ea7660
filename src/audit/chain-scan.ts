// Names what is wrong with a chain of entries while they pass by, holding two of them at a time. Pure.
//
// The first entry that does not follow on the ones before it is held back until the next line is known, because only
// that line tells whose fault it is: does it follow on what stood before, then the held one is too much here; does it
// not, then something is missing before the held one, or one of the two was changed. Whether what is missing was
// taken away or only moved is known when the rest has passed.
import { EMPTY_HEAD } from './chain.js'
import type { EndLine, EntryLine } from './export-lines.js'

export type FaultKind = 'changed' | 'missing' | 'inserted' | 'reordered' | 'cut' | 'unreadable'

export interface ChainFault {
  /** The entry that is at fault; null where it is none, such as the head line. */
  seq: number | null
  /** From 1 on. For what is missing the line that stands in its place. */
  line: number
  kind: FaultKind
}

export interface ChainScan {
  /** What is certainly wrong, as soon as it is certain. */
  add(entry: EntryLine): ChainFault | null
  /** What is wrong when all entries have passed; `end` is null where the end line is missing. */
  finish(end: EndLine | null, line: number): ChainFault | null
  /** The last entry that was as it should be. */
  last(): { seq: number; hash: unknown }
}

type Placed = Pick<EntryLine, 'prev' | 'hash' | 'line'> & { seq: number }

/** A whole log: seq 1, 2, 3 … each naming the hash of the one before. */
export function wholeChainScan(): ChainScan {
  let last: Placed = { ...EMPTY_HEAD, prev: null, line: 1 }
  let held: EntryLine | null = null
  /** The first fault, found, but not told apart: entries first..last are not in their place, something else is. */
  let gap: { first: number; last: number; line: number } | null = null
  let stray: Placed | null = null

  const follows = (entry: EntryLine, on: { seq: number | null; hash: unknown }): boolean =>
    on.seq !== null && entry.seq === on.seq + 1 && entry.prev === on.hash

  /** The held entry, in the light of the line after it. */
  function judge(entry: EntryLine, lastGoesOn: boolean, heldGoesOn: boolean): ChainFault | null {
    const here = { seq: entry.seq ?? last.seq + 1, line: entry.line }
    if (lastGoesOn) {
      if (!entry.valid || entry.seq === null || entry.seq <= last.seq + 1) return { ...here, kind: 'inserted' }
      stray = { ...entry, seq: entry.seq }
      return null
    }
    if (!entry.valid || entry.seq === null) return { seq: last.seq + 1, line: entry.line, kind: 'changed' }
    if (entry.seq === last.seq + 1) {
      // It names another hash than the one before it has. If the line after it is content with it, then the one before
      // was replaced, own hash and all.
      return heldGoesOn && last.seq > 0
        ? { seq: last.seq, line: last.line, kind: 'changed' }
        : { ...here, kind: 'changed' }
    }
    // It names the one before it rightly, so it stands in its place, under another number.
    if (entry.prev === last.hash && !heldGoesOn) return { seq: last.seq + 1, line: entry.line, kind: 'changed' }
    if (entry.seq <= last.seq) {
      // Had it been moved here, then its own place would have been found empty before.
      const twin = entry.seq === last.seq && entry.prev === last.prev && entry.hash !== last.hash && heldGoesOn
      return { ...here, line: twin ? last.line : entry.line, kind: 'inserted' }
    }
    gap = { first: last.seq + 1, last: entry.seq - 1, line: entry.line }
    return null
  }

  /** Whether this entry settles what the first fault is. */
  function settle({ seq, valid }: EntryLine): ChainFault | null {
    if (seq === null || !valid) return null
    if (gap && seq >= gap.first && seq <= gap.last) return { seq: gap.last + 1, line: gap.line, kind: 'reordered' }
    if (stray && seq === stray.seq) return { seq, line: stray.line, kind: 'inserted' }
    return null
  }

  return {
    add(entry) {
      if (gap || stray) return settle(entry)
      if (held === null) {
        if (entry.valid && follows(entry, last)) last = { ...entry, seq: last.seq + 1 }
        else held = entry
        return null
      }
      const fault = judge(held, follows(entry, last), follows(entry, held))
      if (fault) return fault
      held = null
      // Where the stray one was taken out the entry is the next of the chain; where there is a gap it may lie in it.
      return gap ? settle(entry) : null
    },
    finish(end, line) {
      const names = (entry: { seq: number | null; hash: unknown }) =>
        end !== null && end.lastSeq === entry.seq && end.lastHash === entry.hash
      if (held) {
        const fault = judge(held, names(last), names(held))
        if (fault) return fault
        // It was the last line, so there is no place behind it where it could come from.
        if (stray) return { seq: stray.seq, line: stray.line, kind: 'inserted' }
      }
      if (gap) return { seq: gap.first, line: gap.line, kind: 'missing' }
      if (stray) {
        const kind = end !== null && stray.seq > end.lastSeq ? 'inserted' : 'reordered'
        return { seq: stray.seq, line: stray.line, kind }
      }
      if (end === null || end.lastSeq > last.seq || end.entries > last.seq) {
        return { seq: last.seq + 1, line, kind: 'cut' }
      }
      if (end.lastSeq < last.seq && end.entries === end.lastSeq) {
        return { seq: end.lastSeq + 1, line: end.lastSeq + 2, kind: 'inserted' } // Line 1 is the head.
      }
      if (end.lastSeq < last.seq || end.entries < last.seq) return { seq: null, line, kind: 'changed' }
      return end.lastHash === last.hash ? null : { seq: last.seq, line: last.line, kind: 'changed' }
    },
    last: () => last,
  }
}

/**
 * A filtered log: gaps are expected, so each entry is checked by itself, the order, and the link between neighbours.
 * An entry that was left out between others shows in the count of the end line only.
 */
export function filteredChainScan(): ChainScan {
  let last: Placed = { ...EMPTY_HEAD, prev: null, line: 1 }
  let count = 0
  return {
    add(entry) {
      const { seq, line } = entry
      if (!entry.valid || seq === null) return { seq, line, kind: 'changed' }
      if (seq <= last.seq) return { seq, line, kind: seq === last.seq ? 'inserted' : 'reordered' }
      if (seq === last.seq + 1 && entry.prev !== last.hash) {
        return seq === 1 ? { seq, line, kind: 'changed' } : { seq: last.seq, line: last.line, kind: 'changed' }
      }
      last = { ...entry, seq }
      count += 1
      return null
    },
    finish(end, line) {
      if (end === null || end.lastSeq > last.seq) return { seq: null, line, kind: 'cut' }
      const sameLast = end.lastSeq === last.seq && end.lastHash === last.hash
      if (sameLast && end.entries === count) return null
      if (sameLast) return { seq: null, line, kind: end.entries > count ? 'missing' : 'inserted' }
      return { seq: last.seq, line: last.line, kind: end.lastSeq < last.seq ? 'inserted' : 'changed' }
    },
    last: () => last,
  }
}
