// The address that links begin with, seen from this machine: facts in, findings out. Pure.
import { kindOf, readPeer } from './address.js'
import { caution, type Finding, fault, ok, unknown } from './finding.js'
import { PEER_FIELD } from './probe-path.js'

/** One raw request to one address of the name. */
export interface WireProbe {
  family: 4 | 6
  address: string
  outcome:
    | { kind: 'unreachable'; code: string }
    | { kind: 'no-answer' }
    | {
        kind: 'answered'
        /** The head to the byte, without its empty line; what follows it is the body. */
        head: string
        bodyBytes: number
        /** The doctor's own end of the connection. */
        local: { address: string; port: number }
      }
}

export interface PublicUrlFacts {
  url: string | null
  /** null = it does not resolve. */
  addresses: string[] | null
  /** Empty where no server runs that could answer. */
  probes: WireProbe[]
  behindProxy: boolean
  /** The mark of the running server. */
  mark: string | null
  /** Addresses of this machine. */
  ownAddresses: string[]
}

/** What the byte server writes, in its order and letter case, in answer to the probe. */
const FIELDS = ['Content-Length', PEER_FIELD, 'Firmhand-Start', 'Cache-Control', 'Date', 'Connection']

export function judgePublicUrl(facts: PublicUrlFacts): Finding[] {
  const { url, addresses, probes } = facts
  if (url === null) {
    return [
      caution(
        'public-url',
        'FIRMHAND_PUBLIC_URL is not set: tasks over the air are refused.',
        'Set it to http://HOST.',
      ),
    ]
  }
  const findings = [judgeScheme(url)]
  if (addresses === null) {
    const remedy = 'Add an A record for the name, or correct FIRMHAND_PUBLIC_URL.'
    return [...findings, fault('public-name', `The name in ${url} does not resolve.`, remedy)]
  }
  findings.push(judgeAddresses(addresses))
  if (probes.length === 0) {
    return [
      ...findings,
      unknown(
        'public-reach',
        'No server runs that could answer at the public address.',
        'Start it, then run the doctor again.',
      ),
    ]
  }
  return [...findings, ...probes.flatMap((probe) => judgeProbe(probe, facts))]
}

function judgeScheme(url: string): Finding {
  if (url.startsWith('http://')) return ok('public-url', `Links begin with ${url}.`)
  const remedy = 'Use http:// where cameras are old, and keep in mind that whatever speaks TLS ends their connections.'
  return caution('public-url', `Links begin with ${url}: many cameras speak no TLS, and this server does not.`, remedy)
}

function judgeAddresses(addresses: string[]): Finding {
  const hidden = addresses.filter((address) => kindOf(address) !== 'public')
  if (hidden.length === 0) return ok('public-name', `It leads to ${addresses.join(', ')}.`)
  const remedy = 'Right for a trial or a private APN. Else give the name the address that the Internet sees.'
  return caution(
    'public-name',
    `It leads to ${hidden.join(', ')}, which no camera on a public network reaches.`,
    remedy,
  )
}

function judgeProbe(probe: WireProbe, facts: PublicUrlFacts): Finding[] {
  const check = `public-reach-ipv${probe.family}`
  const { outcome, address } = probe
  if (outcome.kind === 'unreachable')
    return [judgeUnreachable(check, { address, code: outcome.code, family: probe.family })]
  if (outcome.kind === 'no-answer') {
    return [
      fault(
        check,
        `${address} takes the connection and does not answer.`,
        'Look at what listens there: it is not this server.',
      ),
    ]
  }
  const lines = outcome.head.split('\r\n')
  const status = Number(/^HTTP\/1\.[01] (\d{3})/.exec(lines[0] ?? '')?.[1] ?? 0)
  if (status >= 300 && status < 400) {
    const remedy = 'Take the redirect off this address: cameras do not follow it.'
    return [fault(check, `${address} answers with a redirect (${status}).`, remedy)]
  }
  const fields = lines.slice(1).map((line) => readField(line))
  const fieldOf = (name: string) => fields.find((field) => field.name.toLowerCase() === name.toLowerCase())?.value
  const peer = readPeer(fieldOf(PEER_FIELD) ?? '')
  if (status !== 404 || !peer || (facts.mark !== null && fieldOf('Firmhand-Start') !== facts.mark)) {
    const remedy = 'Let the name and the port lead to this server; a restored copy of it may be running elsewhere.'
    return [fault(check, `What answers at ${address} is not this server's byte server (status ${status}).`, remedy)]
  }
  return [
    ok(check, `${address} leads to this server.`),
    judgeWire({ family: probe.family, names: fields.map(({ name }) => name), bodyBytes: outcome.bodyBytes }),
    judgeDirect({ family: probe.family, peer, local: outcome.local }, facts),
  ]
}

function judgeUnreachable(
  check: string,
  { address, code, family }: { address: string; code: string; family: 4 | 6 },
): Finding {
  if (family === 6 && ['ENETUNREACH', 'EADDRNOTAVAIL', 'EAFNOSUPPORT'].includes(code)) {
    const remedy = 'Try it from a machine with IPv6, or take the AAAA record away: a broken one is worse than none.'
    return caution(check, `${address} cannot be tried: this machine has no way to IPv6.`, remedy)
  }
  if (code === 'ETIMEDOUT') {
    const remedy = 'Try it from outside: some routers do not lead back in. Else open the port in the firewall.'
    return caution(check, `${address} did not answer in time.`, remedy)
  }
  const remedy =
    family === 6
      ? 'Listen on it, or take the AAAA record away: a broken one is worse than none.'
      : 'Let the port lead to the public listener, and open it in the firewall.'
  return fault(check, `${address} cannot be reached (${code}).`, remedy)
}

const readField = (line: string): { name: string; value: string } => {
  const at = line.indexOf(':')
  return { name: line.slice(0, at), value: line.slice(at + 1).trim() }
}

function judgeWire(given: { family: 4 | 6; names: string[]; bodyBytes: number }): Finding {
  const check = `public-wire-ipv${given.family}`
  const remedy =
    'Take what stands between cameras and server away: it re-writes answers, and simple clients fail on that.'
  if (given.bodyBytes > 0)
    return fault(check, 'An empty answer arrives with a body: some units flash whatever body they get.', remedy)
  const added = given.names.filter((name) => !FIELDS.some((known) => known.toLowerCase() === name.toLowerCase()))
  if (added.length > 0)
    return fault(check, `Answers arrive with fields that this server does not write: ${added.join(', ')}.`, remedy)
  if (given.names.join() !== FIELDS.join()) {
    return fault(check, 'Answers arrive with other letter case or order than this server writes.', remedy)
  }
  return ok(check, 'Answers arrive to the byte as this server writes them.')
}

function judgeDirect(
  seen: { family: 4 | 6; peer: { address: string; port: number }; local: { address: string; port: number } },
  { behindProxy, ownAddresses }: PublicUrlFacts,
): Finding {
  const check = `public-direct-ipv${seen.family}`
  const { peer, local } = seen
  const plain = (address: string) => address.replace(/^::ffff:(?=\d+\.)/, '')
  const sameAddress = plain(peer.address) === plain(local.address)
  if (sameAddress && peer.port === local.port) {
    if (!behindProxy) return ok(check, 'The server sees this very connection: nothing in between ends TCP.')
    const remedy = 'Set FIRMHAND_BEHIND_PROXY to false if cameras come in the same way: the ledger then proves more.'
    return caution(check, 'FIRMHAND_BEHIND_PROXY is set, and the connection arrives directly.', remedy)
  }
  if (behindProxy)
    return ok(check, `The server sees another connection (${peer.address}), as FIRMHAND_BEHIND_PROXY says.`)
  const isNear = sameAddress || ownAddresses.includes(plain(peer.address)) || kindOf(peer.address) !== 'public'
  if (isNear && peer.port !== local.port) {
    const remedy =
      'Take the proxy or port forwarder away (host network for containers), or set FIRMHAND_BEHIND_PROXY=true.'
    return fault(
      check,
      `The server sees a connection from ${peer.address} that is not this one: something in between ends TCP.`,
      remedy,
    )
  }
  const text = `The server sees ${peer.address} for this machine: an address is translated on the way.`
  if (peer.port === local.port) return ok(check, `${text} The port is kept, which a proxy would not do.`)
  return unknown(
    check,
    `${text} Whether TCP is ended there cannot be told.`,
    'Look at the addresses that cameras come from.',
  )
}
