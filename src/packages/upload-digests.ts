// The digests that an upload claims for itself (RFC 9530), checked against the bytes that came.
import type { FileDigests } from '../blobs/digests.js'
import { AppError } from '../errors.js'
import { type DigestAlgorithm, parseDigestField } from './digest-field.js'

const FIELDS = ['repr-digest', 'content-digest'] as const

export interface ClaimedDigests {
  /** Whether this one, which is not taken of every file, is needed for check(). */
  sha512: boolean
  /** @throws AppError digest-mismatch */
  check(found: FileDigests): void
}

/** @throws AppError digest-field-invalid */
export function claimedDigests(headers: Record<string, unknown>): ClaimedDigests {
  const claims = FIELDS.flatMap((field) => {
    const text = headers[field]
    if (typeof text !== 'string') return []
    const parsed = parseDigestField(text)
    if (!parsed.ok) throw new AppError('digest-field-invalid', `${field}: ${parsed.detail}`)
    return Object.entries(parsed.digests).map(([algorithm, hex]) => ({
      field,
      algorithm: algorithm as DigestAlgorithm,
      hex,
    }))
  })
  return {
    sha512: claims.some((claim) => claim.algorithm === 'sha-512'),
    check: (found) => {
      const known: Partial<Record<DigestAlgorithm, string | undefined>> = {
        'sha-256': found.sha256,
        'sha-512': found.sha512,
        sha: found.sha1,
        md5: found.md5,
      }
      const wrong = claims.find((claim) => known[claim.algorithm] !== claim.hex)
      if (wrong) {
        throw new AppError(
          'digest-mismatch',
          `${wrong.field} says ${wrong.algorithm} ${wrong.hex}, the bytes have ${known[wrong.algorithm]}. The file was damaged on its way, or it is another one; nothing was stored.`,
        )
      }
    },
  }
}
