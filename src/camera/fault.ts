// What can go wrong inside a camera, in its own words. Pure.

type FaultCode =
  | 'text-unknown' // Not a text of this model, or one that the model reads otherwise.
  | 'refused' // Understood, and not followed.
  | 'busy' // An upgrade is under way.
  | 'url-refused' // Not plain http, too long, or a file name that the model does not take.
  | 'connection' // Could not connect, or the connection was lost and could not be taken up again.
  | 'answer' // A status, or a head, that the camera does nothing with. Redirects belong here.
  | 'empty'
  | 'too-large'
  | 'size' // Not the size that the text named.
  | 'digest' // Not the digest that the text named.
  | 'image' // Not an image, a cut one, or one for another model.
  | 'stopped'
  | 'internal'

export class CameraFault extends Error {
  readonly code: FaultCode

  constructor(code: FaultCode, message: string, options?: { cause?: unknown }) {
    super(message, options)
    this.name = 'CameraFault'
    this.code = code
  }
}

/** Every throw becomes a fault: a camera reports what went wrong and lives on. */
export function asFault(thrown: unknown): CameraFault {
  if (thrown instanceof CameraFault) return thrown
  const error = thrown instanceof Error ? thrown : new Error(String(thrown))
  if (error.name === 'AbortError') return new CameraFault('stopped', 'The camera was switched off.', { cause: error })
  return new CameraFault('internal', error.message, { cause: error })
}
