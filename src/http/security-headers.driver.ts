// The header fields by which a browser keeps a page of this house to itself. They are the same for every answer, so helmet is
// asked for them once: making them took a sixteenth of the public thread's work for a check-in.
import helmet from '@fastify/helmet'
import { fastify } from 'fastify'

/** Pages of this house bring everything themselves. */
const CSP_DIRECTIVES = {
  'default-src': ["'self'"],
  'img-src': ["'self'", 'data:'],
  'style-src': ["'self'"],
  'script-src': ["'self'"],
  'frame-ancestors': ["'none'"],
  'base-uri': ["'none'"],
  'form-action': ["'self'"],
}

/** The same policy as one header value (W3C Content Security Policy Level 3). */
export const contentSecurityPolicy = (): string =>
  Object.entries(CSP_DIRECTIVES)
    .map(([name, sources]) => `${name} ${sources.join(' ')}`)
    .join('; ')

let known: Promise<Record<string, string>> | null = null

export function securityHeaders(): Promise<Record<string, string>> {
  known ??= askHelmet()
  return known
}

async function askHelmet(): Promise<Record<string, string>> {
  const app = fastify()
  await app.register(helmet, {
    contentSecurityPolicy: {
      useDefaults: false,
      directives: CSP_DIRECTIVES,
    },
    // The office side may be reached by plain HTTP through a tunnel; a proxy with TLS adds its own.
    strictTransportSecurity: false,
  })
  let headers: Record<string, string> = {}
  app.get('/', async (_request, reply) => {
    headers = Object.fromEntries(Object.entries(reply.raw.getHeaders()).map(([name, value]) => [name, String(value)]))
    return ''
  })
  await app.inject('/')
  await app.close()
  return headers
}
