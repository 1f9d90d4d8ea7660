// Why an address cannot be listened on, in a sentence that says what to do. Touches nothing.
import type { ListenAddress } from '../config.js'

const REASONS: Record<string, string> = {
  EADDRINUSE: 'another program has it. Stop that one',
  EACCES: "the server's user may not take it: ports below 1024 need a right of their own",
  EADDRNOTAVAIL: 'this machine has no such address. Correct it',
  ENOTFOUND: 'no address is known by that name. Correct it',
}

export function listenFault(cause: unknown, given: { setting: string; address: ListenAddress }): Error {
  const { host, port } = given.address
  const { code, message } = cause as NodeJS.ErrnoException
  const reason = REASONS[code ?? ''] ?? message
  const address = host.includes(':') ? `[${host}]:${port}` : `${host}:${port}`
  return new Error(`Cannot listen on ${address}: ${reason}, or set ${given.setting} to another address.`, { cause })
}
