// Entry of the writing thread.
import { type MessagePort, parentPort, workerData } from 'node:worker_threads'
import { clockFrom } from '../clock.js'
import { AppError } from '../errors.js'
import { createLogger } from '../logger.js'
import { type Call, portable, serve } from '../threads/remote.js'
import type { WriterReady, WriterSetup } from './setup.js'
import { openWriter } from './writer.js'

const setup = workerData as WriterSetup
const toMain = parentPort!
const clock = clockFrom(setup.clockCell)
const log = createLogger(setup.logLevel)
/** What goes wrong every second is said once in this time: the log may lie on the very disk that is full. */
const QUIET_MS = 60_000
let quietUntilMs = 0

const writer = await openWriter({
  data: setup.data,
  settings: setup.settings,
  clock,
  publish: (effects) => {
    if (effects.length > 0) setup.effectsPort.postMessage(effects)
  },
  sweep: true,
  onError: (error) => {
    // A full disk or a held lock passes, and the next tick tries again: downloads and reading go on meanwhile. Anything
    // else is a bug: better to stop as a whole than to go on blind.
    if (!(error instanceof AppError)) throw portable(error)
    if (clock() < quietUntilMs) return
    quietUntilMs = clock() + QUIET_MS
    log.warn({ err: error }, 'the work of the clock has to wait')
  },
}).catch((error: unknown) => {
  throw portable(error)
})

/** What the main thread asks besides work. It ends this thread once it has the answer to `stop`. */
const CONTROL: Record<string, () => Promise<unknown>> = {
  stop: writer.close,
  probe: writer.probe,
  metrics: writer.metrics,
}

async function handle(call: Call): Promise<unknown> {
  if (call.service !== 'control') return writer.handle(call)
  const method = CONTROL[call.method]
  if (!method) throw new Error(`the writing thread has no ${call.method}`)
  return method()
}

serve(toMain as MessagePort, handle)
serve(setup.publicPort, handle)
toMain.postMessage({ ready: { serverId: writer.serverId, applied: writer.applied, swept: writer.swept } } satisfies {
  ready: WriterReady
})
