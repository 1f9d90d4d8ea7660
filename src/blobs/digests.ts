// All digests of a file in one pass over its bytes, whatever pieces they come in. Touches nothing but the bytes.
import { createHash, type Hash } from 'node:crypto'
import { crc32 } from 'node:zlib'

/** While a file is served each block of this size is checked against its own SHA-256. */
export const BLOCK_BYTES = 1024 * 1024

export interface FileDigests {
  sizeBytes: number
  /** Lower-case hex, like all of them. Only this one decides whether a file is genuine. */
  sha256: string
  sha1: string
  md5: string
  /** CRC-32/ISO-HDLC, the most significant digit first (a gzip trailer stores the same number the other way round). */
  crc32: string
  /** 32 bytes of SHA-256 for each block, the last one shorter; none for an empty file. */
  blocks: Buffer
  /** Only where it was asked for: no list of digests needs it, some senders of a file claim it. */
  sha512?: string
}

export class StreamDigests {
  #sizeBytes = 0
  #crc = 0
  #sha256 = createHash('sha256')
  #sha1 = createHash('sha1')
  #md5 = createHash('md5')
  #block: Hash | null = null
  #blockBytes = 0
  #blocks: Buffer[] = []
  #sha512: Hash | null

  constructor(options: { sha512?: boolean } = {}) {
    this.#sha512 = options.sha512 ? createHash('sha512') : null
  }

  update(chunk: Uint8Array): void {
    this.#sizeBytes += chunk.length
    this.#crc = crc32(chunk, this.#crc)
    this.#sha256.update(chunk)
    this.#sha1.update(chunk)
    this.#md5.update(chunk)
    this.#sha512?.update(chunk)
    for (let from = 0; from < chunk.length; ) {
      const piece = chunk.subarray(from, from + BLOCK_BYTES - this.#blockBytes)
      this.#block ??= createHash('sha256')
      this.#block.update(piece)
      this.#blockBytes += piece.length
      from += piece.length
      if (this.#blockBytes === BLOCK_BYTES) this.#closeBlock()
    }
  }

  /** Once, at the end: the hashes are used up by it. */
  finish(): FileDigests {
    this.#closeBlock()
    return {
      sizeBytes: this.#sizeBytes,
      sha256: this.#sha256.digest('hex'),
      sha1: this.#sha1.digest('hex'),
      md5: this.#md5.digest('hex'),
      crc32: this.#crc.toString(16).padStart(8, '0'),
      blocks: Buffer.concat(this.#blocks),
      ...(this.#sha512 && { sha512: this.#sha512.digest('hex') }),
    }
  }

  #closeBlock(): void {
    if (this.#block) this.#blocks.push(this.#block.digest())
    this.#block = null
    this.#blockBytes = 0
  }
}
