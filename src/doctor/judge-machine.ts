// The machine under the server: facts in, findings out. Pure.
import { caution, type Finding, fault, mib, ok, unknown } from './finding.js'

export interface MachineFacts {
  platform: string
  nodeVersion: string
  /** Whether names of time zones are known to this Node. */
  timeZones: boolean
  nowMs: number
  newestAuditAtMs: number | null
  /** Whether the system says that its clock follows another one; null = cannot be told. */
  clockSynchronised: boolean | null
  /** Of the running server, else of this shell. null = cannot be told. */
  openFiles: { limit: number; of: 'server' | 'shell' } | null
  /** The last number of net.ipv4.tcp_wmem. */
  sendBufferMaxBytes: number | null
  memoryBytes: number
  kernelTable: boolean
}

const NODE_MIN = [20, 19] as const
/** How far the newest entry may lie ahead: threads note their times side by side. */
const AHEAD_MAX_MS = 5000
/** Connections that the byte server takes, those of node:http, files and the office side. */
const OPEN_FILES_NEEDED = 16_384
const OPEN_FILES_MIN = 4096
/** Measured: the kernel holds so much for a client that reads slowly, with the usual send buffers. */
const HELD_PER_CLIENT_BYTES = 330 * 1024
const CLIENTS = 12_000
/** Up to here a crowd of slow clients cannot take the machine's memory. */
const SEND_BUFFER_GOOD_BYTES = 256 * 1024

export function judgeMachine(facts: MachineFacts): Finding[] {
  return [
    judgeNode(facts),
    facts.timeZones
      ? ok('time-zones', 'The data of the time zones is there.')
      : fault(
          'time-zones',
          'This Node does not know the time zones of units.',
          'Use a build of Node with full ICU data.',
        ),
    judgeClock(facts),
    judgeSynchronised(facts),
    judgeOpenFiles(facts),
    judgeKernelTable(facts),
    judgeSendBuffers(facts),
  ]
}

function judgeNode({ nodeVersion }: MachineFacts): Finding {
  const [major = 0, minor = 0] = nodeVersion.replace(/^v/, '').split('.').map(Number)
  const isNew = major > NODE_MIN[0] || (major === NODE_MIN[0] && minor >= NODE_MIN[1])
  if (isNew) return ok('node', `Node.js ${nodeVersion} is new enough.`)
  return fault('node', `Node.js ${nodeVersion} is too old.`, `Install ${NODE_MIN.join('.')} or newer.`)
}

function judgeClock({ nowMs, newestAuditAtMs }: MachineFacts): Finding {
  if (newestAuditAtMs === null) return unknown('clock', 'There is no entry yet to hold the clock against.')
  const aheadMs = newestAuditAtMs - nowMs
  if (aheadMs <= AHEAD_MAX_MS) return ok('clock', 'The clock is not behind the newest entry of the audit log.')
  const text = `The clock is ${Math.round(aheadMs / 1000)} s behind the newest entry of the audit log.`
  return fault('clock', text, 'Set the clock before tasks are issued: deadlines and the order of reports follow it.')
}

function judgeSynchronised({ clockSynchronised }: MachineFacts): Finding {
  const check = 'clock-source'
  if (clockSynchronised === null) {
    return unknown(
      check,
      'Whether the clock follows a time server is not known.',
      'Look after it: chronyc or timedatectl.',
    )
  }
  if (clockSynchronised) return ok(check, 'The clock follows a time server.')
  return caution(check, 'The clock follows no time server.', 'Switch it on, e.g. timedatectl set-ntp true.')
}

function judgeOpenFiles({ openFiles }: MachineFacts): Finding {
  const check = 'open-files'
  if (!openFiles) return unknown(check, 'How many files the server may open cannot be told here.')
  const { limit, of } = openFiles
  const whose = of === 'server' ? 'The running server' : 'A server started from this shell'
  if (limit >= OPEN_FILES_NEEDED) return ok(check, `${whose} may open ${limit} files.`)
  const text = `${whose} may open ${limit} files; a full house needs ${OPEN_FILES_NEEDED}.`
  const remedy = 'Raise it: LimitNOFILE in the unit file, or ulimit -n.'
  // Few cameras at once never come near it: only the lowest is a fault, and only where it is the server's own.
  return limit < OPEN_FILES_MIN && of === 'server' ? fault(check, text, remedy) : caution(check, text, remedy)
}

function judgeKernelTable({ kernelTable, platform }: MachineFacts): Finding {
  const check = 'kernel-table'
  if (kernelTable)
    return ok(check, 'The kernel’s table of connections can be read: downloads are graded "acknowledged".')
  const text = 'The kernel’s table of connections cannot be read: downloads are graded "inferred" at most.'
  if (platform !== 'linux') return caution(check, text, 'Run the server on Linux where that grade is wanted.')
  return caution(check, text, 'Let the server see /proc/net/tcp: no ProcSubset=pid in its unit, no hidden /proc.')
}

function judgeSendBuffers({ sendBufferMaxBytes, memoryBytes }: MachineFacts): Finding {
  const check = 'send-buffers'
  if (sendBufferMaxBytes === null) return unknown(check, 'The size of the kernel’s send buffers cannot be told here.')
  const crowdBytes = Math.min(sendBufferMaxBytes, HELD_PER_CLIENT_BYTES) * CLIENTS
  if (sendBufferMaxBytes <= SEND_BUFFER_GOOD_BYTES || crowdBytes < memoryBytes / 4) {
    return ok(check, `Send buffers grow to ${mib(sendBufferMaxBytes)} a connection.`)
  }
  const text = `Send buffers grow to ${mib(sendBufferMaxBytes)}: ${CLIENTS} slow cameras could hold ${mib(crowdBytes)} of ${mib(memoryBytes)} memory.`
  return caution(
    check,
    text,
    'Bound net.ipv4.tcp_wmem as deploy/60-firmhand.conf does, unless only few cameras come at once.',
  )
}
