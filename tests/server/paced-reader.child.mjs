// Two clients of the public listener in a process of their own, so that nobody else's event loop counts. One downloads the
// file again and again at a limited rate and notes the longest time without a byte; the other asks for 16 KiB every 20 ms
// and notes the longest wait: nothing that lies in a buffer on the way can hide a server that stands still.
import { once } from 'node:events'
import net from 'node:net'

const [url, sizeText] = process.argv.slice(2)
const sizeBytes = Number(sizeText)
const { port, pathname } = new URL(url)
const BYTES_PER_MS = 16_000
const TICK_MS = 5
let longest = { gapMs: 0, waitMs: 0, bytes: 0, probes: 0 }

async function connect() {
  const socket = net.connect({ port: Number(port), host: '127.0.0.1', noDelay: true })
  await once(socket, 'connect')
  return socket
}

async function read() {
  const socket = await connect()
  const ask = () => socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\n\r\n`)
  let left = sizeBytes
  let lastMs = performance.now()
  let allowance = 0
  let paidMs = lastMs
  ask()
  setInterval(() => {
    const nowMs = performance.now()
    // What was missed is not made up for: the reading stays even.
    allowance = Math.min(allowance + (nowMs - paidMs) * BYTES_PER_MS, 20 * TICK_MS * BYTES_PER_MS)
    paidMs = nowMs
    while (allowance > 0) {
      const bytes = socket.read(Math.min(allowance, socket.readableLength) || undefined)
      if (!bytes) break
      allowance -= bytes.length
      left -= bytes.length // The head counts along: the next request comes a little early, which is pipelining.
      longest.bytes += bytes.length
      longest.gapMs = Math.max(longest.gapMs, performance.now() - lastMs)
      lastMs = performance.now()
      if (left <= 0) {
        left += sizeBytes
        ask()
      }
    }
  }, TICK_MS)
}

async function probe() {
  const socket = await connect()
  for (;;) {
    const startMs = performance.now()
    socket.write(`GET ${pathname} HTTP/1.1\r\nHost: x\r\nRange: bytes=1000-17383\r\n\r\n`)
    for (let got = 0; got < 16_384; ) got += (await once(socket, 'data'))[0].length
    longest.waitMs = Math.max(longest.waitMs, performance.now() - startMs)
    longest.probes += 1
    await new Promise((resolve) => setTimeout(resolve, 20))
  }
}

// Told what was seen since the last time it was asked.
process.on('message', () => {
  process.send(longest)
  longest = { gapMs: 0, waitMs: 0, bytes: 0, probes: 0 }
})
void read()
void probe()
process.send('ready')
