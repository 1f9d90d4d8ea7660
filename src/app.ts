// The composition root: settings in, a running server out. Starts the threads, and stops all of them when one fails.
import { once } from 'node:events'
import { MessageChannel, Worker } from 'node:worker_threads'
import { diskStore } from './blobs/disk.driver.js'
import { clockFrom } from './clock.js'
import type { Config } from './config.js'
import type { Effect } from './db/db.js'
import { openSqlite } from './db/sqlite.driver.js'
import { createHub } from './events/hub.js'
import { closeHttp } from './http/app.driver.js'
import type { Logger } from './logger.js'
import { lockDataFolder, openDataFolder } from './server/data-folder.driver.js'
import { listenFault } from './server/listen-fault.js'
import { createOfficeApp } from './server/office-app.js'
import { remoteServices } from './server/services.js'
import type { PublicReady, PublicSetup, WriterReady, WriterSetup } from './server/setup.js'
import { type Caller, caller } from './threads/remote.js'
import { threadUrl } from './threads/thread-url.js'

export interface App {
  publicPort: number
  officePort: number
  /** The base of links as set, null where it is not. */
  publicUrl: string | null
  serverId: string
  countsAcknowledged: boolean
  /** Resolves when the server has stopped; with an error where a part of it failed. */
  stopped: Promise<Error | null>
  stop(): Promise<void>
}

/** What the main thread asks of the others. */
interface Control {
  stop(): Promise<void>
  /** The public thread only. */
  revoke(linkId: string): Promise<void>
}

/** How long a thread may take to stop before it is ended; what is acknowledged is on disk long before. */
const STOP_MS = 20_000

interface Thread<Ready> {
  worker: Worker
  calls: Caller
  ready: Ready
  exited: Promise<unknown>
}

/**
 * Starts a thread and waits for its word that it is ready; its failure to start is ours.
 * @param go until when it only loads its code; should that fail, it ends.
 */
async function startThread<Ready>(
  name: string,
  setup: object,
  transfer: import('node:worker_threads').MessagePort[],
  go?: Promise<unknown>,
): Promise<Thread<Ready>> {
  const worker = new Worker(threadUrl(import.meta.url, `./server/${name}.thread.js`), {
    name,
    workerData: setup,
    transferList: transfer,
  })
  const exited = once(worker, 'exit')
  // Waited for below; without a handler its rejection would be unhandled while the start still runs.
  exited.catch(() => undefined)
  go?.then(
    () => worker.postMessage('go'),
    () => worker.terminate(),
  )
  const [message] = await Promise.race([
    once(worker, 'message') as Promise<[{ ready: Ready }]>,
    exited.then(() => Promise.reject(new Error(`The ${name} thread ended at its start.`))),
  ])
  return { worker, ready: message.ready, exited, calls: caller(worker as never) }
}

/** @param options.clockCell moves the clock of all threads; for tests. */
export async function startApp(
  config: Config,
  log: Logger,
  options: { clockCell?: SharedArrayBuffer } = {},
): Promise<App> {
  const clock = clockFrom(options.clockCell)
  const data = openDataFolder(config.dataFolder)
  const unlock = lockDataFolder(data.folder)
  const settings = {
    serverSecret: data.serverSecret,
    publicUrl: config.publicUrl,
    behindProxy: config.behindProxy,
    taskDeadlineHours: config.taskDeadlineHours,
  }
  const publicToWriter = new MessageChannel()
  const effects = new MessageChannel()
  const hub = createHub()

  const writerStart = startThread<WriterReady>(
    'writer',
    {
      data,
      settings,
      logLevel: config.logLevel,
      clockCell: options.clockCell,
      publicPort: publicToWriter.port1,
      effectsPort: effects.port1,
    } satisfies WriterSetup,
    [publicToWriter.port1, effects.port1],
  )
  // Loading its code is most of its start: that need not wait for the database, which the writer may have to make first.
  const publicStart = startThread<PublicReady>(
    'public',
    {
      data,
      listen: config.publicListen,
      behindProxy: config.behindProxy,
      logLevel: config.logLevel,
      clockCell: options.clockCell,
      writerPort: publicToWriter.port2,
    } satisfies PublicSetup,
    [publicToWriter.port2],
    writerStart,
  )
  // Waited for below, once the writer is there.
  publicStart.catch(() => undefined)
  const writer = await writerStart.catch(async (error) => {
    await publicStart.catch(() => undefined)
    unlock()
    throw error
  })
  if (writer.ready.applied.length > 0) log.info({ migrations: writer.ready.applied }, 'database brought up to date')
  if (writer.ready.swept.length > 0)
    log.warn({ files: writer.ready.swept.length }, 'removed what an interrupted upload left')

  const read = openSqlite(data.databaseFile, 'read')
  const writerControl = writer.calls.control<Control>()
  const stopWriter = async () => {
    await within(writerControl.stop(), writer.worker)
    await read.destroy()
    effects.port2.close()
    unlock()
  }

  let publicThread: Thread<PublicReady>
  try {
    publicThread = await publicStart
  } catch (error) {
    await stopWriter()
    throw error
  }
  const publicControl = publicThread.calls.control<Control>()

  effects.port2.on('message', (batch: Effect[]) => {
    for (const effect of batch) {
      // The answer to who revoked does not wait for this; the next request is refused by the record in any case.
      if (effect.kind === 'link-ended')
        publicControl.revoke(effect.linkId).catch((error: unknown) => log.debug({ err: error }, 'revoke'))
    }
    hub.publish(batch)
  })

  let stopping: Promise<void> | null = null
  let finish!: (error: Error | null) => void
  const stopped = new Promise<Error | null>((resolve) => {
    finish = resolve
  })

  const office = await createOfficeApp({
    read,
    clock,
    log,
    services: remoteServices(writer.calls),
    disk: diskStore(data.folder),
    hub,
    serverId: writer.ready.serverId,
    settings: { serverSecret: data.serverSecret, publicUrl: config.publicUrl, behindProxy: config.behindProxy },
    ready: () => stopping === null,
  }).catch(async (error) => {
    await within(publicControl.stop(), publicThread.worker)
    await stopWriter()
    throw error
  })

  function stop(reason: Error | null = null): Promise<void> {
    stopping ??= (async () => {
      // First nothing new comes in, then what is known is written, then the writer closes the book.
      await Promise.all([closeHttp(office), within(publicControl.stop(), publicThread.worker)])
      await stopWriter()
    })()
    // Whatever goes wrong on the way: who waits for the end gets to know it.
    stopping.then(
      () => finish(reason),
      (error: Error) => finish(reason ?? error),
    )
    return stopping
  }

  for (const [name, thread] of [
    ['writer', writer],
    ['public', publicThread],
  ] as const) {
    thread.worker.on('error', (error) => log.fatal({ err: error, thread: name }, 'a thread failed'))
    const gone = () => {
      thread.calls.close()
      if (stopping === null)
        void stop(new Error(`The ${name} thread failed; the server stopped as a whole. Start it again.`))
    }
    thread.exited.then(gone, gone)
  }

  try {
    await office.listen(config.officeListen)
  } catch (error) {
    await stop()
    throw listenFault(error, { setting: 'FIRMHAND_OFFICE_LISTEN', address: config.officeListen })
  }
  office.server.on('error', (error) => log.error({ err: error }, 'a connection could not be accepted'))
  const { port } = office.server.address() as { port: number }
  return {
    publicPort: publicThread.ready.port,
    officePort: port,
    publicUrl: config.publicUrl,
    serverId: writer.ready.serverId,
    countsAcknowledged: publicThread.ready.countsAcknowledged,
    stopped,
    stop: () => stop(),
  }
}

/** Waits for a thread's word that it has stopped, then makes sure; one that failed or hangs is ended. */
async function within(word: Promise<void>, worker: Worker): Promise<void> {
  let timer: NodeJS.Timeout | undefined
  await Promise.race([
    word.catch(() => undefined),
    new Promise((resolve) => {
      timer = setTimeout(resolve, STOP_MS)
    }),
  ])
  clearTimeout(timer)
  await worker.terminate()
}
