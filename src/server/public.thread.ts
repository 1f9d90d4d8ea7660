// Entry of the public thread: one socket, the byte server for /d/, everything else handed to fastify.
import { once } from 'node:events'
import net from 'node:net'
import { setTimeout } from 'node:timers/promises'
import { parentPort, workerData } from 'node:worker_threads'
import { hashToken } from '../access/secret.js'
import { findBlocks } from '../blobs/blob.store.js'
import { blockReader } from '../blobs/disk.driver.js'
import { clockFrom } from '../clock.js'
import { openSqlite } from '../db/sqlite.driver.js'
import { isProbe, PEER_FIELD, peerText } from '../doctor/probe-path.js'
import { readDownloadPath } from '../downloads/download-path.js'
import { startKernelTable } from '../downloads/kernel-table.driver.js'
import { linkSource } from '../downloads/link-source.store.js'
import { createResponder } from '../downloads/responder.driver.js'
import { closeHttp } from '../http/app.driver.js'
import { START_FIELD } from '../http/health.routes.js'
import { newId } from '../ids.js'
import { createLogger } from '../logger.js'
import { createPublicMetrics } from '../metrics/public-metrics.js'
import { type Call, caller, serve } from '../threads/remote.js'
import { lendToHttp } from './http-borrow.driver.js'
import { listenFault } from './listen-fault.js'
import { createPublicApp } from './public-app.js'
import { remoteServices } from './remote-services.js'
import type { PublicReady, PublicSetup } from './setup.js'

/**
 * Sockets in all: those of the byte server, which bounds them itself, and those lent to node:http. Beyond it the kernel's
 * sockets are closed at once; the common limit of open files is 20,000.
 */
const CONNECTIONS_MAX = 16_000
/** With the writer gone the record takes nothing more; this long the byte server may break its connections. */
const ALONE_MS = 2000

const setup = workerData as PublicSetup
const toMain = parentPort!
await once(toMain, 'message') // The code is loaded; now the database is there as well.
const clock = clockFrom(setup.clockCell)
const log = createLogger(setup.logLevel)
const read = openSqlite(setup.data.databaseFile, 'read')
const writer = caller(setup.writerPort)
const services = remoteServices(writer)
const blocks = blockReader(setup.data.folder, (sha256) => findBlocks(read, sha256))
const kernel = startKernelTable({ log })
const app = await createPublicApp({ read, clock, log, checkins: services.checkins, startMark: setup.startMark })
const { metrics, meter } = createPublicMetrics()

const responder = createResponder({
  links: linkSource({ read, clock, hashToken }),
  blocks,
  sink: { record: (reports) => services.ledger.record(reports) },
  clock,
  kernel,
  behindProxy: setup.behindProxy,
  newTryId: () => newId('y', clock()),
  log,
  onDamaged: (sha256) => {
    // The file as a whole is looked at: what one read says may be the disk's bad moment.
    services.scrub.suspect(sha256).catch((error: unknown) => log.warn({ err: error }, 'a damaged file was not noted'))
  },
  handOver: lendToHttp(app.server, (socket) => responder.accept(socket)),
  meter,
  echo,
})

/** What the doctor asks: whom this listener sees at the other end, and by which start of the server. */
function echo(target: string, socket: net.Socket): [name: string, value: string][] {
  const path = readDownloadPath(target)
  if (!path || !isProbe(setup.data.serverSecret, path)) return []
  const peer = peerText({ address: socket.remoteAddress ?? '', port: socket.remotePort ?? 0 })
  return [
    [PEER_FIELD, peer],
    [START_FIELD, setup.startMark],
  ]
}

// allowHalfOpen: a client may end its side right after the GET and still wants the file.
const server = net.createServer({ allowHalfOpen: true, noDelay: true }, (socket) => responder.accept(socket))

server.maxConnections = CONNECTIONS_MAX

function listen(host: string): Promise<void> {
  return new Promise((resolve, reject) => {
    server.once('error', reject)
    server.listen({ host, port: setup.listen.port, backlog: 4096 }, () => {
      server.off('error', reject)
      resolve()
    })
  })
}

const writerGone = new Promise<void>((resolve) => setup.writerPort.once('close', () => resolve()))

metrics.onCollect(async () => {
  const connections = await new Promise<number>((resolve) =>
    server.getConnections((_error, count) => resolve(count ?? 0)),
  )
  metrics.gauge('firmhand_public_connections').set(connections)
  metrics.gauge('firmhand_downloads_running').set(responder.running)
})

/** Nothing new comes in; what runs may end in its time; then the last reports go to the record. The main thread ends this
 * one once it has the answer. */
async function stop(graceMs: number): Promise<void> {
  server.close()
  const writerLost = writerGone.then(() => setTimeout(ALONE_MS))
  await Promise.all([Promise.race([responder.drain(graceMs), writerLost]), closeHttp(app)])
  await Promise.race([responder.stop(), writerLost])
  await kernel.stop()
  await blocks.close()
  await read.destroy()
  writer.close()
  setup.writerPort.close()
}

async function handle(call: Call): Promise<unknown> {
  if (call.method === 'stop') return stop(Number(call.args[0]))
  if (call.method === 'hurry') return responder.hurry()
  if (call.method === 'metrics') return metrics.values()
  if (call.method === 'probe') return
  if (call.method === 'revoke') return responder.revoke(String(call.args[0]))
  if (call.method === 'hold') return responder.hold()
  if (call.method === 'damaged') return responder.cutDamaged(call.args[0] as string[])
  if (call.method === 'repaired') return blocks.forget(String(call.args[0]))
  throw new Error(`the public thread has no ${call.method}`)
}

serve(toMain, handle)
try {
  await listen(setup.listen.host)
} catch (error) {
  // A machine without IPv6 cannot listen on [::]; all of its IPv4 is what was meant.
  const noIpv6 = ['EAFNOSUPPORT', 'EADDRNOTAVAIL'].includes((error as NodeJS.ErrnoException).code ?? '')
  if (!noIpv6 || setup.listen.host !== '::') {
    throw listenFault(error, { setting: 'FIRMHAND_PUBLIC_LISTEN', address: setup.listen })
  }
  await listen('0.0.0.0')
}
// Out of descriptors for the moment: the client tries again, and those who are served do not notice.
server.on('error', (error) => log.error({ err: error }, 'a connection could not be accepted'))
const { address, port } = server.address() as net.AddressInfo
toMain.postMessage({ ready: { host: address, port, countsAcknowledged: kernel.readable } } satisfies {
  ready: PublicReady
})
