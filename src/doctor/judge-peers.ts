// Where downloads of the last days came from: facts in, findings out. Pure.
import { kindOf } from './address.js'
import { caution, type Finding, fault, ok, unknown } from './finding.js'

export interface PeerFacts {
  /** Links with a download in the time that was looked at. */
  links: number
  /** Addresses with the number of links that came from each, most first. */
  peers: { address: string; links: number }[]
  behindProxy: boolean
  /** Of the address that links lead to: on a loopback or private one all peers are near by rights. */
  publicAddresses: string[]
}

/** Fewer prove nothing: one depot with one line, a trial on a desk. */
const LINKS_MIN = 5
const SHARE = 0.95

export function judgePeers({ links, peers, behindProxy, publicAddresses }: PeerFacts): Finding {
  const check = 'peers'
  const [most] = peers
  if (links < LINKS_MIN || !most) {
    return unknown(check, `Downloads of ${links} links in the last days are too few to see a proxy by.`)
  }
  const isOne = most.links >= links * SHARE
  const isNear = kindOf(most.address) === 'loopback' || kindOf(most.address) === 'private'
  const isTrial = publicAddresses.length > 0 && publicAddresses.every((address) => kindOf(address) !== 'public')
  const remedy = 'Set FIRMHAND_BEHIND_PROXY=true, or let cameras reach the public listener directly.'
  if (behindProxy) {
    if (isOne || isNear)
      return ok(check, `${most.links} of ${links} links came from ${most.address}, as behind a proxy.`)
    const text = `FIRMHAND_BEHIND_PROXY is set, and downloads come from ${peers.length} addresses.`
    return caution(check, text, 'Set it to false if nothing ends TCP in between: the ledger then proves more.')
  }
  if (!isOne) return ok(check, `Downloads came from ${peers.length} addresses.`)
  const text = `${most.links} of ${links} links were downloaded from one address, ${most.address}`
  if (isNear && !isTrial)
    return fault(check, `${text}: a proxy is suspected, and the ledger claims what only the proxy got.`, remedy)
  if (isNear) return caution(check, `${text}: right for a trial, else a proxy is suspected.`, remedy)
  return caution(check, `${text}: a carrier's NAT can look like that, or a proxy.`, remedy)
}
