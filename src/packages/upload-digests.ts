// The digests that an upload claims for itself (RFC 9530), checked against the bytes that came.
import { createHash } from 'node:crypto'
import { Readable } from 'node:stream'
import type { FileDigests } from '../blobs/digests.js'
import { AppError } from '../errors.js'
import { type DigestAlgorithm, parseDigestField } from './digest-field.js'

const FIELDS = ['repr-digest', 'content-digest'] as const

export interface ClaimedDigests {
  /** The same bytes; what is not computed for every file is computed on their way. */
  follow(source: Readable): Readable
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
  const sha512 = claims.some((claim) => claim.algorithm === 'sha-512') ? createHash('sha512') : null
  return {
    follow: (source) => {
      if (!sha512) return source
      return Readable.from(
        (async function* () {
          for await (const chunk of source as AsyncIterable<Buffer>) {
            sha512.update(chunk)
            yield chunk
          }
        })(),
        { objectMode: false },
      )
    },
    check: (found) => {
      const known: Partial<Record<DigestAlgorithm, string>> = {
        'sha-256': found.sha256,
        sha: found.sha1,
        md5: found.md5,
      }
      if (sha512) known['sha-512'] = sha512.digest('hex')
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
