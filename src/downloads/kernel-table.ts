// Reads the text of /proc/net/tcp and /proc/net/tcp6 (Linux, Documentation/networking/proc_net_tcp.rst). Pure.
// `tx_queue` of a connected socket is write_seq - snd_una: what the far end has not acknowledged yet, the unsent
// included; a FIN of ours counts one more until it is acknowledged.

/** One connection as we hold it: the row has to agree in all of it. */
export interface KernelAsk {
  /** Of the socket, from the link text of /proc/self/fd/N. */
  inode: number
  local: string
  remote: string
}

export interface KernelRow extends KernelAsk {
  state: number
  txQueueBytes: number
}

/**
 * TCP states whose queue can be read as a count (include/net/tcp_states.h): ESTABLISHED, FIN_WAIT1, FIN_WAIT2,
 * CLOSE_WAIT, LAST_ACK, CLOSING. A listening row has another meaning in the column, a dead one has no queue.
 */
const COUNTED_STATES: ReadonlySet<number> = new Set([0x01, 0x04, 0x05, 0x08, 0x09, 0x0b])

/** `sl local remote st tx:rx tr:when retrnsmt uid timeout inode …` */
const ROW =
  /^\s*\d+: ([0-9A-F]{8}|[0-9A-F]{32}):([0-9A-F]{4}) ([0-9A-F]{8}|[0-9A-F]{32}):([0-9A-F]{4}) ([0-9A-F]{2}) ([0-9A-F]{8}):[0-9A-F]{8} [0-9A-F]{2}:[0-9A-F]{8} [0-9A-F]{8}\s+\d+\s+\d+\s+(\d+)(?:\s|$)/i

/** null for the heading and anything that is not a row. */
export function parseRow(line: string): KernelRow | null {
  const match = ROW.exec(line)
  if (!match) return null
  const [, local, localPort, remote, remotePort, state, txQueue, inode] = match as unknown as string[]
  return {
    local: `${addressFromHex(local!)}:${parseInt(localPort!, 16)}`,
    remote: `${addressFromHex(remote!)}:${parseInt(remotePort!, 16)}`,
    state: parseInt(state!, 16),
    txQueueBytes: parseInt(txQueue!, 16),
    inode: Number(inode),
  }
}

/**
 * The queue of each asked connection, in their order; null where no row agrees, and then nothing may be claimed.
 * A row that shows twice (the file is not read in one instant) counts with its longer queue.
 */
export function findQueues(texts: readonly string[], asks: readonly KernelAsk[]): (number | null)[] {
  const places = new Map(asks.map((ask, place) => [ask.inode, place]))
  const queues: (number | null)[] = asks.map(() => null)
  for (const line of texts.flatMap((text) => text.split('\n'))) {
    const row = parseRow(line)
    const place = row ? places.get(row.inode) : undefined
    if (!row || place === undefined || !COUNTED_STATES.has(row.state)) continue
    const ask = asks[place]!
    if (row.local !== ask.local || row.remote !== ask.remote) continue
    queues[place] = Math.max(queues[place] ?? 0, row.txQueueBytes)
  }
  return queues
}

/** An address and port as they stand in a row: 32 hex digits, IPv4 as its IPv6-mapped form, so that both files agree. */
export function endpointKey(address: string, port: number): string | null {
  const hex = address.includes(':') ? hexOfIpv6(address) : hexOfIpv4(address, MAPPED)
  return hex === null ? null : `${hex}:${port}`
}

const MAPPED = '00000000000000000000ffff'

/** The kernel prints each 32-bit word in the machine's order, which is little-endian here: bytes come in reverse. */
function addressFromHex(hex: string): string {
  const words = hex.toLowerCase().match(/.{8}/g) ?? []
  const bytes = words.map((word) => (word.match(/../g) ?? []).reverse().join('')).join('')
  return bytes.length === 8 ? MAPPED + bytes : bytes
}

function hexOfIpv4(text: string, prefix = ''): string | null {
  const parts = text.split('.').map(Number)
  if (parts.length !== 4 || parts.some((part) => !Number.isInteger(part) || part < 0 || part > 255)) return null
  return prefix + parts.map((part) => part.toString(16).padStart(2, '0')).join('')
}

/** RFC 4291 §2.2, with an IPv4 tail and a zone (`%eth0`), which the kernel's table does not show. */
function hexOfIpv6(text: string): string | null {
  const [head = '', tail, ...more] = text.replace(/%.*$/, '').split('::')
  if (more.length > 0) return null
  const before = groupsOf(head)
  const after = tail === undefined ? [] : groupsOf(tail)
  const missing = 8 - before.length - after.length
  if (tail === undefined ? missing !== 0 : missing < 0) return null
  const groups = [...before, ...Array<string>(missing).fill('0000'), ...after]
  return groups.every((group) => /^[0-9a-f]{4}$/.test(group)) ? groups.join('') : null
}

function groupsOf(text: string): string[] {
  if (text === '') return []
  return text.split(':').flatMap((group) => {
    if (!group.includes('.')) return [group.toLowerCase().padStart(4, '0')]
    const hex = hexOfIpv4(group) ?? 'invalid'
    return [hex.slice(0, 4), hex.slice(4)]
  })
}
