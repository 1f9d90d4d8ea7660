// Cameras that ask for parts of a file: several side by side, many small ones in a row, or the head before all.
import type { Behaviour, DownloadTools } from './behaviour.js'
import { healthy } from './behaviours.js'
import {
  downloadUsual,
  FRUITLESS_TRIES_MAX,
  hostField,
  isLostConnection,
  PIECE_BYTES,
  USER_AGENT,
  USUAL_HABITS,
} from './download.js'
import { CameraFault } from './fault.js'
import type { Answer, Connection } from './http-client.js'

/** What the first request of a segmenting client asks for, to learn how long the file is. */
const FIRST_PART_BYTES = 64 * 1024

/** First and last byte of the file, both asked for. */
interface Part {
  first: number
  last: number
}

/** Asks for one part on the connection and writes it to its place. Returns how long the whole file is. */
async function fetchPart(connection: Connection, tools: DownloadTools, part: Part, keep: boolean): Promise<number> {
  const answer = await connection.ask({
    method: 'GET',
    httpVersion: '1.1',
    fields: [
      hostField(tools),
      `User-Agent: ${USER_AGENT}`,
      `Connection: ${keep ? 'keep-alive' : 'close'}`,
      `Range: bytes=${part.first}-${part.last}`,
    ],
  })
  const sizeBytes = sizeOfPartial(answer, part)
  let at = part.first
  for (;;) {
    const piece = await answer.read(PIECE_BYTES)
    if (piece === null) break
    await tools.part.write(at, piece)
    at += piece.length
    part.first = at // What is written need not be asked for again, should the connection be lost.
  }
  return sizeBytes
}

/** RFC 9110 §15.3.7: the part that was asked for, shortened at the end of the file; anything else is of no use here. */
function sizeOfPartial(answer: Answer, asked: Part): number {
  const [, first, last, size] =
    /^bytes (\d{1,15})-(\d{1,15})\/(\d{1,15})$/.exec(answer.field('Content-Range') ?? '') ?? []
  const fits = Number(first) === asked.first && Number(last) === Math.min(asked.last, Number(size) - 1)
  if (answer.status !== 206 || !fits) {
    throw new CameraFault('answer', `The server answered ${answer.status}, and not the part that was asked for.`)
  }
  return Number(size)
}

/** One part, on as many connections as it takes. */
async function fetchPartAnyhow(tools: DownloadTools, part: Part): Promise<number> {
  for (let fruitless = 0; ; ) {
    const from = part.first
    const connection = tools.connect()
    try {
      return await fetchPart(connection, tools, part, false)
    } catch (error) {
      fruitless = part.first > from ? 0 : fruitless + 1
      if (!isLostConnection(error) || fruitless >= FRUITLESS_TRIES_MAX) throw error
      tools.tell('connection-lost', `From byte ${part.first}. ${error.message}`)
    } finally {
      connection.close()
    }
    await tools.wait(tools.pauseMs * (0.5 + tools.random()))
  }
}

/** Learns the length from a first small part, then fetches the rest in equal parts, each on a socket of its own. */
export function parallelRanges(options: { sockets: number }): Behaviour {
  return {
    ...healthy(),
    name: 'parallel-ranges',
    async download(tools) {
      const sizeBytes = await fetchPartAnyhow(tools, { first: 0, last: FIRST_PART_BYTES - 1 })
      const begun = Math.min(FIRST_PART_BYTES, sizeBytes)
      const each = Math.ceil((sizeBytes - begun) / options.sockets)
      const parts: Part[] = []
      for (let first = begun; first < sizeBytes; first += each) {
        parts.push({ first, last: Math.min(first + each, sizeBytes) - 1 })
      }
      // Waited for all of them, also where one fails: nothing may write to the disk after the download has ended.
      const ends = await Promise.allSettled(parts.map((part) => fetchPartAnyhow(tools, part)))
      const failed = ends.find((end) => end.status === 'rejected')
      if (failed) throw failed.reason
    },
  }
}

/** Hundreds of small ranges, one after the other, on one connection for as long as it holds. */
export function smallPieces(options: { pieceBytes: number }): Behaviour {
  return {
    ...healthy(),
    name: 'small-pieces',
    async download(tools) {
      let connection = tools.connect()
      let sizeBytes = Number.POSITIVE_INFINITY
      try {
        for (let fruitless = 0; tools.part.heldBytes < sizeBytes; ) {
          const first = tools.part.heldBytes
          try {
            sizeBytes = await fetchPart(connection, tools, { first, last: first + options.pieceBytes - 1 }, true)
            fruitless = 0
          } catch (error) {
            fruitless = tools.part.heldBytes > first ? 0 : fruitless + 1
            if (!isLostConnection(error) || fruitless >= FRUITLESS_TRIES_MAX) throw error
            tools.tell('connection-lost', `${tools.part.heldBytes} bytes held. ${error.message}`)
            connection.close()
            await tools.wait(tools.pauseMs * (0.5 + tools.random()))
            connection = tools.connect()
          }
        }
      } finally {
        connection.close()
      }
    },
  }
}

/** Asks for the head before all else, and takes no file whose length it was not told or that is longer. */
export function headFirst(): Behaviour {
  return {
    ...healthy(),
    name: 'head-first',
    async download(tools) {
      const fields = [hostField(tools), `User-Agent: ${USER_AGENT}`, 'Connection: close']
      const answer = await tools.ask({ method: 'HEAD', httpVersion: '1.1', fields })
      answer.close()
      const { status, lengthBytes } = answer
      if (status !== 200 || lengthBytes === null) {
        throw new CameraFault('answer', `HEAD was answered ${status}, length ${lengthBytes ?? 'not told'}.`)
      }
      await downloadUsual(tools, USUAL_HABITS)
      if (tools.part.heldBytes !== lengthBytes) {
        throw new CameraFault('size', `The file has ${tools.part.heldBytes} bytes; HEAD said ${lengthBytes}.`)
      }
    },
  }
}
