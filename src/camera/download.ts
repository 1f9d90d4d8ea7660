// The usual way of a camera to bring a file onto its disk: GET, write while reading, take up again after a break.
// What differs from camera to camera are its habits; a way that is wholly other is a Behaviour with its own download().
import type { DownloadTools } from './behaviour.js'
import { CameraFault } from './fault.js'
import type { Answer } from './http-client.js'

/** What one read asks for: a buffer that is written to the flash at once. */
export const PIECE_BYTES = 64 * 1024
/** Breaks in a row without a new byte between them. */
export const FRUITLESS_TRIES_MAX = 8
export const USER_AGENT = 'wintercam/1'

export interface Habits {
  httpVersion: '1.0' | '1.1'
  sendsHost: boolean
  /** What goes with a Range, so that parts of two files never become one. */
  precondition: 'none' | 'if-range' | 'if-match'
  /**
   * Asked before each read: how many bytes to take, 0 = drop the connection here.
   * It may take as long as it likes: that is a slow camera, or one that has stalled.
   */
  take(heldBytes: number, tools: DownloadTools): number | Promise<number>
}

export const USUAL_HABITS: Habits = {
  httpVersion: '1.1',
  sendsHost: true,
  precondition: 'none',
  take: () => PIECE_BYTES,
}

export async function downloadUsual(tools: DownloadTools, habits: Habits): Promise<void> {
  const { part } = tools
  let etag: string | null = null
  for (let fruitless = 0; ; ) {
    const from = part.heldBytes
    let answer: Answer | null = null
    try {
      answer = await tools.ask({
        method: 'GET',
        httpVersion: habits.httpVersion,
        fields: fieldsOf(tools, habits, etag),
      })
      await acceptAnswer(answer, tools)
      etag = answer.field('ETag')
      if (await readBody(answer, tools, habits)) return
    } catch (error) {
      if (!isLostConnection(error)) throw error
      fruitless = part.heldBytes > from ? 0 : fruitless + 1
      if (fruitless >= FRUITLESS_TRIES_MAX) throw error
      tools.tell('connection-lost', `${part.heldBytes} bytes held. ${error.message}`)
    } finally {
      answer?.close()
    }
    await tools.wait(tools.pauseMs * (0.5 + tools.random()))
  }
}

export const hostField = ({ address }: DownloadTools): string =>
  `Host: ${address.host}${address.port === 80 ? '' : `:${address.port}`}`

export const isLostConnection = (error: unknown): error is CameraFault =>
  error instanceof CameraFault && error.code === 'connection'

function fieldsOf(tools: DownloadTools, habits: Habits, etag: string | null): string[] {
  const { part } = tools
  const fields = [`User-Agent: ${USER_AGENT}`, 'Connection: close']
  if (habits.sendsHost) fields.unshift(hostField(tools))
  if (part.heldBytes > 0) {
    fields.push(`Range: bytes=${part.heldBytes}-`)
    if (etag !== null && habits.precondition === 'if-range') fields.push(`If-Range: ${etag}`)
    if (etag !== null && habits.precondition === 'if-match') fields.push(`If-Match: ${etag}`)
  }
  return fields
}

/** 200 is the file from its first byte, 206 the part that was asked for; all else, redirects too, ends the download. */
async function acceptAnswer(answer: Answer, { part, tell }: DownloadTools): Promise<void> {
  if (answer.status === 200) {
    if (part.heldBytes > 0) tell('started-over', `The server sent the whole file; ${part.heldBytes} bytes dropped.`)
    await part.restart()
    return
  }
  const first = /^bytes (\d{1,15})-/.exec(answer.field('Content-Range') ?? '')?.[1]
  if (answer.status === 206 && part.heldBytes > 0 && Number(first) === part.heldBytes) return
  throw new CameraFault('answer', `The server answered ${answer.status}; the camera does nothing with it.`)
}

/** True = the body came to its end; false = the camera itself dropped the connection. */
async function readBody(answer: Answer, tools: DownloadTools, habits: Habits): Promise<boolean> {
  const { part } = tools
  for (;;) {
    const bytes = await habits.take(part.heldBytes, tools)
    if (bytes <= 0) {
      tools.tell('connection-dropped', `${part.heldBytes} bytes held.`)
      return false
    }
    const piece = await answer.read(bytes)
    if (piece === null) return true
    await part.write(part.heldBytes, piece)
  }
}
