// Entry of the writing thread.
import { type MessagePort, parentPort, workerData } from 'node:worker_threads'
import { clockFrom } from '../clock.js'
import { type Call, serve } from '../threads/remote.js'
import type { WriterReady, WriterSetup } from './setup.js'
import { openWriter } from './writer.js'

const setup = workerData as WriterSetup
const toMain = parentPort!

const writer = await openWriter({
  data: setup.data,
  settings: setup.settings,
  clock: clockFrom(setup.clockCell),
  publish: (effects) => {
    if (effects.length > 0) setup.effectsPort.postMessage(effects)
  },
  sweep: true,
  onError: (error) => {
    // The clock's work failed in a way that nobody asked for: better to stop as a whole than to go on blind.
    throw error
  },
})

/** The control service has one method; the main thread ends this one once it has the answer. */
const handle = (call: Call): Promise<unknown> => (call.service === 'control' ? writer.close() : writer.handle(call))

serve(toMain as MessagePort, handle)
serve(setup.publicPort, handle)
toMain.postMessage({ ready: { serverId: writer.serverId, applied: writer.applied, swept: writer.swept } } satisfies {
  ready: WriterReady
})
