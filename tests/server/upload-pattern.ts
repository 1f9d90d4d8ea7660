// Sends a file of any size that lies nowhere: a pattern, block by block, as fast as the server takes it.
import { createHash } from 'node:crypto'
import { once } from 'node:events'
import http from 'node:http'
import type { ServedApp } from '../support/serve.js'

const BLOCK_BYTES = 1024 * 1024

/** @returns the server's answer, and the SHA-256 of what was sent. */
export async function uploadPattern(
  served: ServedApp,
  sizeBytes: number,
  version = '5.0.0',
): Promise<{ status: number; sizeBytes: number; sha256: string; sentSha256: string }> {
  const request = http.request(
    `${served.officeUrl}/api/v1/packages?model=sill-cam&version=${version}&fileName=big.bin`,
    {
      method: 'POST',
      headers: {
        authorization: `Bearer ${served.key}`,
        'content-type': 'application/octet-stream',
        'content-length': sizeBytes,
      },
    },
  )
  const answered = once(request, 'response') as Promise<[http.IncomingMessage]>
  const hash = createHash('sha256')
  const block = Buffer.alloc(BLOCK_BYTES)
  for (let sent = 0; sent < sizeBytes; sent += BLOCK_BYTES) {
    block.writeBigUInt64BE(BigInt(sent), 8) // Each block is another one.
    hash.update(block)
    // The block is used again: it has to be with the kernel before it changes.
    await new Promise<void>((resolve, reject) => request.write(block, (error) => (error ? reject(error) : resolve())))
  }
  request.end()
  const [response] = await answered
  let text = ''
  for await (const part of response) text += part
  const body = JSON.parse(text)
  return {
    status: response.statusCode!,
    sizeBytes: body.sizeBytes,
    sha256: body.digests?.sha256,
    sentSha256: hash.digest('hex'),
  }
}
