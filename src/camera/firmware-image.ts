// The firmware format of the invented cameras: a few lines of text, an empty line, then bytes without meaning.
// Only cameras read it. To the server a package is bytes; it never looks inside.
import { createCipheriv, createHash } from 'node:crypto'

const MAGIC = 'WINTERCAM-IMAGE 1'
const END_OF_HEAD = '\n\n'
/** A head is four short lines; a camera reads no further in search of its end. */
export const IMAGE_HEAD_BYTES_MAX = 512
const CHUNK_BYTES = 64 * 1024

export interface ImageOrder {
  model: string
  version: string
  /** Of the whole file, head included. */
  sizeBytes: number
  seed: number
}

export interface ImageHead {
  model: string
  version: string
  /** Of the whole file, so that a cut one shows even where nobody told the camera a size. */
  sizeBytes: number
}

/** Bytes of an image, the same for the same order, made while they are read: large ones need no place in a repository. */
export function* demoFirmware({ model, version, sizeBytes, seed }: ImageOrder): Generator<Buffer, void, void> {
  const head = Buffer.from(`${MAGIC}\nversion: ${version}\nmodel: ${model}\nbytes: ${sizeBytes}${END_OF_HEAD}`, 'ascii')
  if (head.length > IMAGE_HEAD_BYTES_MAX) throw new Error('The model and version are too long for an image head.')
  if (sizeBytes <= head.length) throw new Error(`An image needs more than ${head.length} bytes.`)
  yield head
  // AES in counter mode over zeros is a fast source of bytes that do not compress and depend on the key alone.
  const key = createHash('sha256').update(`${model} ${version} ${seed}`).digest()
  const cipher = createCipheriv('aes-256-ctr', key, Buffer.alloc(16))
  const zeros = Buffer.alloc(CHUNK_BYTES)
  for (let left = sizeBytes - head.length; left > 0; left -= CHUNK_BYTES) {
    yield cipher.update(zeros.subarray(0, Math.min(left, CHUNK_BYTES)))
  }
}

/** Reads the first bytes of a file; null = not an image. */
export function readImageHead(start: Buffer): ImageHead | null {
  const text = start.subarray(0, IMAGE_HEAD_BYTES_MAX).toString('latin1')
  const end = text.indexOf(END_OF_HEAD)
  if (end < 0) return null
  const match = /^WINTERCAM-IMAGE 1\nversion: ([\w.-]+)\nmodel: ([\w.-]+)\nbytes: (\d{1,12})$/.exec(text.slice(0, end))
  if (!match) return null
  const [, version, model, bytes] = match
  return { version: version!, model: model!, sizeBytes: Number(bytes) }
}
