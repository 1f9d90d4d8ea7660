// The composition root: settings in, a running server out. Starts the threads, and stops all of them when one fails.
import { randomBytes } from 'node:crypto'
import type { AddressInfo } from 'node:net'
import { MessageChannel } from 'node:worker_threads'
import { diskStore } from './blobs/disk.driver.js'
import { clockFrom } from './clock.js'
import { type Config, VERSION } from './config.js'
import type { Effect } from './db/db.js'
import { openSqlite } from './db/sqlite.driver.js'
import { noteRunning } from './doctor/running-file.driver.js'
import { createHub } from './events/hub.js'
import { closeHttp } from './http/app.driver.js'
import type { Logger } from './logger.js'
import { createServerMetrics } from './metrics/server-metrics.driver.js'
import { lockDataFolder, openDataFolder } from './server/data-folder.driver.js'
import { listenFault } from './server/listen-fault.js'
import { createOfficeApp } from './server/office-app.js'
import { createReadiness } from './server/readiness.js'
import { remoteServices } from './server/remote-services.js'
import type { PublicReady, PublicSetup, WriterReady, WriterSetup } from './server/setup.js'
import { type Control, startThread, type Thread, tellPublic, within } from './server/threads.driver.js'
import { startScrubber } from './upkeep/scrub.worker.js'

export interface App {
  publicPort: number
  officePort: number
  /** The base of links as set, null where it is not. */
  publicUrl: string | null
  serverId: string
  countsAcknowledged: boolean
  /** Resolves when the server has stopped; with an error where a part of it failed. */
  stopped: Promise<Error | null>
  /**
   * Takes nothing new and lets running downloads end, for the time that is set. Called again with `now` it ends the
   * waiting at once.
   */
  stop(options?: { now?: boolean }): Promise<void>
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
    scrubDays: config.scrubDays,
    keep: config.keep,
  }
  const startMark = randomBytes(12).toString('hex')
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
      startMark,
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
    // The writer closes the database last: only then can it take in the log and leave one file.
    await read.destroy()
    await within(writerControl.stop(0), writer.worker)
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
      tellPublic(publicControl, effect)?.catch((error: unknown) => log.debug({ err: error }, effect.kind))
    }
    hub.publish(batch)
  })

  let stopping: Promise<void> | null = null
  let finish!: (error: Error | null) => void
  const stopped = new Promise<Error | null>((resolve) => {
    finish = resolve
  })
  const isStopping = () => stopping !== null

  const metrics = createServerMetrics({
    read,
    clock,
    log,
    version: VERSION,
    dataFolder: data.folder,
    databaseFile: data.databaseFile,
    eventStreams: () => hub.size,
    threads: { writer: () => writerControl.metrics(), public: () => publicControl.metrics() },
  })
  const services = remoteServices(writer.calls)
  const { app: office, endStreams } = await createOfficeApp({
    read,
    clock,
    log,
    services,
    disk: diskStore(data.folder),
    hub,
    serverId: writer.ready.serverId,
    dataFolder: data.folder,
    settings: { serverSecret: data.serverSecret, publicUrl: config.publicUrl, behindProxy: config.behindProxy },
    startMark,
    isStopping,
    notReady: createReadiness({
      isStopping,
      writer: () => writerControl.probe(),
      publicThread: () => publicControl.probe(),
      dataFolder: data.folder,
    }),
    metrics: { open: config.metricsOpen, text: metrics.text },
  }).catch(async (error) => {
    await within(publicControl.stop(0), publicThread.worker)
    await stopWriter()
    throw error
  })
  let forgetRunning = () => {}

  const scrubber = startScrubber({ read, scrub: services.scrub, dataFolder: data.folder, log })

  function stop(given: { reason?: Error; now?: boolean } = {}): Promise<void> {
    const graceMs = given.now ? 0 : config.stopGraceMs
    if (given.now && stopping) {
      publicControl.hurry().catch(() => undefined)
      office.server.closeAllConnections()
    }
    stopping ??= (async () => {
      // First nothing new comes in and what runs may end, then what is known is written, then the writer closes the book.
      const startMs = performance.now()
      endStreams()
      await scrubber.stop()
      await within(publicControl.stop(graceMs), publicThread.worker, graceMs)
      // Uploads and exports may use up what downloads left of the time.
      await closeHttp(office, graceMs - (performance.now() - startMs))
      await metrics.stop()
      await stopWriter()
      forgetRunning()
    })()
    // Whatever goes wrong on the way: who waits for the end gets to know it.
    stopping.then(
      () => finish(given.reason ?? null),
      (error: Error) => finish(given.reason ?? error),
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
        void stop({
          now: true,
          reason: new Error(`The ${name} thread failed; the server stopped as a whole. Start it again.`),
        })
    }
    thread.exited.then(gone, gone)
  }

  try {
    await office.listen(config.officeListen)
  } catch (error) {
    await stop({ now: true })
    throw listenFault(error, { setting: 'FIRMHAND_OFFICE_LISTEN', address: config.officeListen })
  }
  office.server.on('error', (error) => log.error({ err: error }, 'a connection could not be accepted'))
  const officeAt = office.server.address() as AddressInfo
  const { host, port } = publicThread.ready
  forgetRunning = noteRunning(data.folder, {
    pid: process.pid,
    mark: startMark,
    startedAtMs: clock(),
    publicAt: { host, port },
    officeAt: { host: officeAt.address, port: officeAt.port },
  })
  return {
    publicPort: port,
    officePort: officeAt.port,
    publicUrl: config.publicUrl,
    serverId: writer.ready.serverId,
    countsAcknowledged: publicThread.ready.countsAcknowledged,
    stopped,
    stop,
  }
}
