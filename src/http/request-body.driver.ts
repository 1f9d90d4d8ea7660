// The body of a request as a stream that may be given up: the connection lives on, so that the answer which says why still
// reaches the client. A request that is itself destroyed takes its socket along, and the client sees only a reset.
import { finished, PassThrough, type Readable } from 'node:stream'

/**
 * What still comes once the reader has given up is dropped as it arrives, as Node does with a body that nobody asked for:
 * many clients read the answer only when they have sent everything.
 */
export function readApart(body: Readable): Readable {
  const apart = new PassThrough()
  finished(body, { writable: false }, (error) => {
    if (error) apart.destroy(error)
  })
  apart.once('close', () => body.resume())
  return body.pipe(apart)
}
