// The two listeners: facts in, findings out. Pure.
import { caution, type Finding, fault, ok, unknown } from './finding.js'

export interface ListenerFacts {
  name: 'public' | 'office'
  setting: string
  /** As it is written. */
  address: string
  port: number
  outcome:
    | { kind: 'this-server' }
    /** Something answered that does not show the mark of the running server, or nothing answered at all. */
    | { kind: 'stranger' }
    | { kind: 'silent'; reason: string }
    /** Not running: whether the address could be listened on. */
    | { kind: 'free' }
    | { kind: 'taken'; by: string | null }
    | { kind: 'not-allowed' }
    | { kind: 'no-such-address' }
    | { kind: 'failed'; reason: string }
}

export interface ServerFacts {
  /** By the lock of the folder. null = cannot be told. */
  isRunning: boolean | null
  /** What the running server says of itself; null = nothing that can be read. */
  pid: number | null
  /** Where the running one listens is what the settings of this shell say. */
  sameSettings: boolean
}

export function judgeServer(facts: ServerFacts): Finding {
  const check = 'server'
  if (facts.isRunning === null) return unknown(check, 'Whether a server runs on this folder cannot be told.')
  if (!facts.isRunning) return ok(check, 'No server runs on this folder.')
  if (facts.pid === null) {
    const remedy = 'Start it again with this program, so that the doctor can ask it.'
    return unknown(check, 'A server runs on this folder and has left no word where.', remedy)
  }
  if (!facts.sameSettings) {
    const remedy = 'Run the doctor with the settings of the server (the same environment, or --config).'
    return caution(
      check,
      `A server runs here (process ${facts.pid}), with other addresses than these settings say.`,
      remedy,
    )
  }
  return ok(check, `A server runs on this folder (process ${facts.pid}).`)
}

export function judgeListener({ name, setting, address, port, outcome }: ListenerFacts): Finding {
  const check = `${name}-port`
  const other = `set ${setting} to another address`
  switch (outcome.kind) {
    case 'this-server':
      return ok(check, `The ${name} listener answers at ${address}, and it is this server.`)
    case 'stranger':
      return fault(check, `What answers at ${address} is not this server.`, `Stop the other program, or ${other}.`)
    case 'silent':
      return fault(
        check,
        `The ${name} listener at ${address} does not answer (${outcome.reason}).`,
        'Look into its log; start it again.',
      )
    case 'free':
      return ok(check, `${address} is free to be listened on.`)
    case 'taken': {
      const who = outcome.by === null ? 'another program' : outcome.by
      return fault(check, `${address} is taken by ${who}.`, `Stop it, or ${other}.`)
    }
    case 'not-allowed': {
      const remedy =
        'Give the right: AmbientCapabilities=CAP_NET_BIND_SERVICE in the unit, or sysctl net.ipv4.ip_unprivileged_port_start.'
      return fault(check, `This user may not listen on port ${port}.`, remedy)
    }
    case 'no-such-address':
      return fault(check, `This machine has no address ${address}.`, `Correct ${setting}.`)
    case 'failed':
      return fault(check, `${address} cannot be listened on: ${outcome.reason}.`, `Correct ${setting}.`)
  }
}
