// The file that a download grows into, on the camera's disk, and the check of it before anything is installed.
import { createHash } from 'node:crypto'
import { createReadStream } from 'node:fs'
import { type FileHandle, mkdir, open } from 'node:fs/promises'
import path from 'node:path'
import { crc32 } from 'node:zlib'
import type { UpgradeOrder } from './camera-model.js'
import { CameraFault } from './fault.js'
import { IMAGE_HEAD_BYTES_MAX, type ImageHead, readImageHead } from './firmware-image.js'

export interface PartFile {
  path: string
  /** Up to where bytes are held. */
  readonly heldBytes: number
  write(atByte: number, bytes: Buffer): Promise<void>
  /** Forgets what is held. */
  restart(): Promise<void>
  close(): Promise<void>
}

/** A server that never stops sending fills the storage and no more. */
export async function openPartFile(folder: string, storageBytesMax: number): Promise<PartFile> {
  await mkdir(folder, { recursive: true })
  const file = path.join(folder, 'firmware.bin')
  const handle: FileHandle = await open(file, 'w')
  let heldBytes = 0
  return {
    path: file,
    get heldBytes() {
      return heldBytes
    },
    async write(atByte, bytes) {
      const end = atByte + bytes.length
      if (end > storageBytesMax) throw new CameraFault('too-large', 'The storage is full.')
      for (let written = 0; written < bytes.length; ) {
        written += (await handle.write(bytes, written, bytes.length - written, atByte + written)).bytesWritten
      }
      heldBytes = Math.max(heldBytes, end)
    },
    async restart() {
      await handle.truncate(0)
      heldBytes = 0
    },
    close: () => handle.close(),
  }
}

export interface CheckedFile {
  path: string
  sizeBytes: number
  sha256: string
}

export interface CheckResult {
  file: CheckedFile
  image: ImageHead
}

/** What lies on the disk, read back from it. */
interface Copy {
  sizeBytes: number
  /** Lower-case hex. */
  digests: Record<'sha256' | 'sha1' | 'md5' | 'crc32', string>
  /** The first bytes, as many as an image head may have. */
  start: Buffer
}

export async function readCopy(file: string): Promise<Copy> {
  const hashes = { sha256: createHash('sha256'), sha1: createHash('sha1'), md5: createHash('md5') }
  let sum = 0
  let sizeBytes = 0
  let start = Buffer.alloc(0)
  for await (const chunk of createReadStream(file) as AsyncIterable<Buffer>) {
    if (start.length < IMAGE_HEAD_BYTES_MAX) start = Buffer.concat([start, chunk.subarray(0, IMAGE_HEAD_BYTES_MAX)])
    for (const hash of Object.values(hashes)) hash.update(chunk)
    sum = crc32(chunk, sum)
    sizeBytes += chunk.length
  }
  const digests = {
    sha256: hashes.sha256.digest('hex'),
    sha1: hashes.sha1.digest('hex'),
    md5: hashes.md5.digest('hex'),
    crc32: sum.toString(16).padStart(8, '0'),
  }
  return { sizeBytes, digests, start }
}

/** Compares the copy with all that the text said, then with what the image says of itself. */
export function checkCopy(copy: Copy, told: UpgradeOrder['told'], modelId: string): ImageHead {
  const { sizeBytes, digests } = copy
  if (sizeBytes === 0) throw new CameraFault('empty', 'The file is empty.')
  if (told.sizeBytes !== null && told.sizeBytes !== sizeBytes) {
    throw new CameraFault('size', `The file has ${sizeBytes} bytes, not ${told.sizeBytes}.`)
  }
  for (const name of Object.keys(digests) as (keyof typeof digests)[]) {
    if (told[name] !== null && told[name] !== digests[name]) {
      throw new CameraFault('digest', `The ${name} of the file is not the one in the text.`)
    }
  }
  const image = readImageHead(copy.start)
  if (image === null) throw new CameraFault('image', 'The file is no firmware image.')
  if (image.sizeBytes !== sizeBytes) throw new CameraFault('image', 'The image is not as long as it says.')
  if (image.model !== modelId) throw new CameraFault('image', `The image is for ${image.model}, not for ${modelId}.`)
  return image
}
