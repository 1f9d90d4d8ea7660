// A model as its own cameras know it: how a text must read, and what the small programs inside can and cannot do.
// Pure. The server's profile of the same model is written apart from this: the two meet only in the texts on the air.
import { CameraFault } from './fault.js'

export interface CameraModel {
  /** What an image must be made for. */
  id: string
  /** The whole text; groups `url`, and where the syntax carries them `sizeBytes`, `sha256`, `sha1`, `md5`, `crc32`. */
  textPattern: RegExp
  /** The last segment of the URL, letter case included. */
  fileNamePattern: RegExp
  /** The buffer that the URL is copied into. */
  urlBytesMax: number
  /** What fits on the card. */
  storageBytesMax: number
  /** Very small clients look for a field name as it is printed in the standard, and find nothing in another case. */
  fieldSearch: 'exact-case' | 'any-case'
}

export interface Address {
  host: string
  port: number
  path: string
}

export interface UpgradeOrder {
  address: Address
  /** What the text says of the file; a check that it does not name is not made. */
  told: {
    sizeBytes: number | null
    sha256: string | null
    sha1: string | null
    md5: string | null
    crc32: string | null
  }
}

/** One text of one SMS part (3GPP TS 23.040: 160 septets); the inbox holds no longer ones. */
export const TEXT_SIGNS_MAX = 160
const HTTP_PORT = 80 // RFC 9110 §4.2.1.

/** Reads a text by the model's syntax; throws a fault where it is none. */
export function readText(model: CameraModel, text: string): UpgradeOrder {
  const groups = text.length <= TEXT_SIGNS_MAX ? model.textPattern.exec(text)?.groups : undefined
  if (!groups?.url) throw new CameraFault('text-unknown', 'The text is none that this model knows.')
  const digest = (name: string) => groups[name]?.toLowerCase() ?? null
  return {
    address: readUrl(model, groups.url),
    told: {
      sizeBytes: groups.sizeBytes === undefined ? null : Number(groups.sizeBytes),
      sha256: digest('sha256'),
      sha1: digest('sha1'),
      md5: digest('md5'),
      crc32: digest('crc32'),
    },
  }
}

function readUrl(model: CameraModel, url: string): Address {
  if (Buffer.byteLength(url) > model.urlBytesMax) {
    throw new CameraFault('url-refused', `The URL is longer than ${model.urlBytesMax} bytes.`)
  }
  const match = /^http:\/\/([^/:?#]+)(?::(\d{1,5}))?(\/[!-~]*)$/.exec(url)
  if (!match) throw new CameraFault('url-refused', 'The URL is not plain http with a host and a path.')
  const [, host, port, path] = match
  const fileName = path!.slice(path!.lastIndexOf('/') + 1)
  if (!model.fileNamePattern.test(fileName)) {
    throw new CameraFault('url-refused', `The model takes no file called "${fileName}".`)
  }
  const portNumber = port === undefined ? HTTP_PORT : Number(port)
  if (portNumber < 1 || portNumber > 65_535) throw new CameraFault('url-refused', 'The URL has no valid port.')
  return { host: host!, port: portNumber, path: path! }
}
