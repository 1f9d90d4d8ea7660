// Checks an audit export with nothing but the file, line by line, with flat memory. Pure: the caller brings the lines.
//
// What it can show: each entry is as it was written, in its place, none added, none left out. What a file alone cannot
// show is that it was not written anew from end to end, or cut and closed again: a head kept elsewhere shows that.

import { type ChainHead, GENESIS_PREV } from './chain.js'
import { type ChainFault, type ChainScan, filteredChainScan, wholeChainScan } from './chain-scan.js'
import { type EndLine, type HeadLine, readExportLine } from './export-lines.js'

export interface VerifyResult {
  ok: boolean
  /** What the head line declares: false = filtered, so that completeness is not shown. */
  complete: boolean
  /** Entry lines that were read; after a fault reading may have stopped. */
  entries: number
  /** The last entry that was found as it should be; 0 and 64 zeros where there is none. */
  lastSeq: number
  lastHash: string
  fault: ChainFault | null
}

export async function verifyExport(
  lines: AsyncIterable<string | readonly string[]> | Iterable<string | readonly string[]>,
  expectedHead?: ChainHead,
): Promise<VerifyResult> {
  let head: HeadLine | null = null
  let scan: ChainScan = wholeChainScan()
  let end: EndLine | null = null
  let headless = false
  let entries = 0
  let line = 0
  /** An entry with the number of the expected head has passed, and is the right one. */
  let metHead = expectedHead === undefined || expectedHead.seq === 0

  const result = (fault: ChainFault | null): VerifyResult => {
    const { seq, hash } = scan.last()
    const complete = head?.complete ?? false
    return { ok: fault === null, complete, entries, lastSeq: seq, lastHash: String(hash), fault }
  }
  const fault = (kind: ChainFault['kind'], seq: number | null = null, at = line) => result({ seq, line: at, kind })
  if (expectedHead?.seq === 0 && expectedHead.hash !== GENESIS_PREV) return fault('changed', 0, 1)

  let brokenOff = false
  for await (const batch of lines) {
    for (const text of typeof batch === 'string' ? [batch] : batch) {
      line += 1
      if (brokenOff) return unreadable(line - 1)
      // A file ends with LF, and some callers make an empty last line of that.
      if (text === '' && end) continue
      const said = readExportLine(text, line)
      if (end) {
        // Behind the end line: either something was appended, or the end line stands too early.
        return scan.finish(end, end.line)
          ? fault('reordered', said.type === 'entry' ? said.seq : null)
          : fault('inserted')
      }
      if (headless) return fault(said.type === 'head' ? 'reordered' : 'missing', null, 1)
      if (head === null) {
        if (said.type === 'head') {
          head = said
          if (!head.complete) scan = filteredChainScan()
        } else if (said.type === 'unreadable') return fault('unreadable')
        else headless = true
        continue
      }
      if (said.type === 'end') end = said
      else if (said.type === 'head') return fault('inserted')
      else if (said.type === 'unreadable') {
        // Whether the file was cut within this line shows when there is no other.
        if (!said.brokenOff) return unreadable(line)
        brokenOff = true
      } else {
        entries += 1
        const found = scan.add(said)
        if (found) return result(found)
        const last = scan.last()
        if (expectedHead && last.seq === expectedHead.seq) {
          if (last.hash !== expectedHead.hash) return fault('changed', last.seq)
          metHead = true
        }
      }
    }
  }
  if (head === null) return fault(headless ? 'missing' : 'cut', null, 1)
  const found = scan.finish(end, end?.line ?? line + 1)
  if (found) return result(found)
  if (end?.headHash && end.headHash !== head.hash) return fault('changed', null, 1)
  if (expectedHead && !metHead) return fault(scan.last().seq < expectedHead.seq ? 'cut' : 'missing', expectedHead.seq)
  return result(null)

  /** Unless a fault was met before, which is named as well as it can be without the rest. */
  function unreadable(at: number): VerifyResult {
    const before = scan.finish(null, at)
    return before && before.kind !== 'cut' ? result(before) : fault('unreadable', scan.last().seq + 1, at)
  }
}
