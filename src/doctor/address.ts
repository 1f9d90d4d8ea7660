// What kind an IP address is. Pure. IPv4: IANA special-purpose registry (RFC 6890): 127/8, RFC 1918, RFC 6598, 169.254/16;
// IPv6: ::1, fc00::/7 (RFC 4193), fe80::/10 (RFC 4291).

export type AddressKind = 'loopback' | 'private' | 'carrier-nat' | 'public'

export function kindOf(address: string): AddressKind {
  const text = address.toLowerCase().replace(/^::ffff:(?=\d+\.)/, '')
  const [a = 0, b = 0] = text.split('.').map(Number)
  if (/^\d+\.\d+\.\d+\.\d+$/.test(text)) {
    if (a === 127) return 'loopback'
    if (a === 10 || (a === 172 && b >= 16 && b <= 31) || (a === 192 && b === 168) || (a === 169 && b === 254))
      return 'private'
    return a === 100 && b >= 64 && b <= 127 ? 'carrier-nat' : 'public'
  }
  if (text === '::1') return 'loopback'
  return /^f[cd]|^fe[89ab]/.test(text) ? 'private' : 'public'
}

/** `address:port` or `[address]:port`; null = neither. */
export function readPeer(text: string): { address: string; port: number } | null {
  const match = /^(?:\[([0-9a-f:.]+)\]|([0-9.]+)):(\d{1,5})$/i.exec(text)
  return match ? { address: (match[1] ?? match[2])!, port: Number(match[3]) } : null
}
