// Cameras whose download takes its own way: slow, with pauses, without end, damaged on the disk, or not the only one.
import type { Behaviour, DownloadTools } from './behaviour.js'
import { healthy } from './behaviours.js'
import {
  downloadUsual,
  type Habits,
  hostField,
  isLostConnection,
  PIECE_BYTES,
  USER_AGENT,
  USUAL_HABITS,
} from './download.js'

/** Never reads faster: a serial line inside the camera, or a slow card. */
export function readsSlowly(options: { bytesPerSecond: number }): Behaviour {
  return {
    ...healthy(),
    name: 'reads-slowly',
    download(tools) {
      const startMs = performance.now()
      const take: Habits['take'] = async (heldBytes) => {
        // By the time of the whole, so that a busy machine does not make it slower still.
        const aheadMs = startMs + (heldBytes / options.bytesPerSecond) * 1_000 - performance.now()
        if (aheadMs > 0) await tools.wait(aheadMs)
        return PIECE_BYTES
      }
      return downloadUsual(tools, { ...USUAL_HABITS, take })
    },
  }
}

/** Stops reading at some bytes while its flash is erased, on a connection that stays, and goes on. */
export function pausesToErase(options: { pauseAtBytes: readonly number[]; pauseMs: number }): Behaviour {
  return {
    ...healthy(),
    name: 'pauses-to-erase',
    download(tools) {
      const pauses = [...options.pauseAtBytes].sort((a, b) => a - b)
      const take: Habits['take'] = async (heldBytes) => {
        if (pauses.length === 0) return PIECE_BYTES
        if (heldBytes < pauses[0]!) return Math.min(PIECE_BYTES, pauses[0]! - heldBytes)
        pauses.shift()
        tools.tell('paused', `${heldBytes} bytes held.`)
        await tools.wait(options.pauseMs)
        return PIECE_BYTES
      }
      return downloadUsual(tools, { ...USUAL_HABITS, take })
    },
  }
}

/** Reads from the first byte on, so far, and leaves. */
async function readStart(
  tools: DownloadTools,
  asked: { userAgent: string; bytes: number; keep: boolean },
): Promise<void> {
  const fields = [hostField(tools), `User-Agent: ${asked.userAgent}`, 'Connection: close']
  const answer = await tools.ask({ method: 'GET', httpVersion: '1.1', fields })
  try {
    if (answer.status !== 200) return
    if (asked.keep) await tools.part.restart()
    for (let read = 0; read < asked.bytes; ) {
      const piece = await answer.read(Math.min(PIECE_BYTES, asked.bytes - read))
      if (piece === null) return
      if (asked.keep) await tools.part.write(read, piece)
      read += piece.length
    }
  } finally {
    answer.close()
  }
}

/** Cannot write past a byte, forgets what it has and begins anew, for as long as it has power, whatever is answered. */
export function downloadsForEver(options: { failsAtByte: number }): Behaviour {
  return {
    ...healthy(),
    name: 'downloads-for-ever',
    async download(tools) {
      for (;;) {
        try {
          await readStart(tools, { userAgent: USER_AGENT, bytes: options.failsAtByte, keep: true })
        } catch (error) {
          if (!isLostConnection(error)) throw error
        }
        tools.tell('started-over', `${tools.part.heldBytes} bytes dropped.`)
        await tools.wait(tools.pauseMs)
      }
    },
  }
}

/** Sixteen bytes that no file of ours has at that place: a page that the flash did not take. */
const UNWRITTEN = Buffer.alloc(16, 0xff)

/** Its flash spoils the first copy; the second one is good. It says the digest of each. */
export function wrongDigestOnce(options: { retryMs: number }): Behaviour {
  let copies = 0
  return {
    ...healthy(),
    name: 'wrong-digest-once',
    async download(tools) {
      await downloadUsual(tools, USUAL_HABITS)
      copies += 1
      if (copies === 1) await tools.part.write(Math.floor(tools.part.heldBytes / 2) - UNWRITTEN.length, UNWRITTEN)
    },
    retryAfterMs: ({ code }) => (code === 'digest' && copies === 1 ? options.retryMs : null),
    saysDigest: true,
  }
}

/** What a browser calls itself, in form; the names in it are invented. */
const BROWSER = 'Mozilla/5.0 (Desk; Office) Pagefinder/7'

/** Somebody opens the link of the text in a browser, sees that it is a file, and stops it; then the camera comes. */
export function openedInABrowser(options: { browserBytes: number }): Behaviour {
  return {
    ...healthy(),
    name: 'opened-in-a-browser',
    async download(tools) {
      await readStart(tools, { userAgent: BROWSER, bytes: options.browserBytes, keep: false })
      await downloadUsual(tools, USUAL_HABITS)
    },
  }
}
