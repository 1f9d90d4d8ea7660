// /proc/net/tcp as the kernel's documentation describes it (proc_net_tcp.rst), and the real one of this machine.
import { once } from 'node:events'
import net, { type AddressInfo } from 'node:net'
import { afterAll, describe, expect, it } from 'vitest'
import { kernelAskOf, startKernelTable } from '../../src/downloads/kernel-table.driver.js'
import { endpointKey, findQueues, parseRow } from '../../src/downloads/kernel-table.js'
import { createKernelWatch } from '../../src/downloads/kernel-watch.driver.js'

const HEADING = '  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode'
// Rows of a Linux 6 machine, read here. 127.0.0.1 is 0100007F: each 32-bit word in the machine's order.
const V4 =
  '   3: 0100007F:1F90 0100007F:C350 01 0000A1B2:00000000 01:00000014 00000000     0        0 77001 4 0000000000000000 20 4 30 10 -1'
const LISTENING =
  '   0: 00000000:07E8 00000000:0000 0A 00000005:00000000 00:00000000 00000000     0        0 597 1 00000000f8c94f73 100 0 0 10 0'
const MAPPED =
  '   1: 0000000000000000FFFF00000100007F:1F90 0000000000000000FFFF00000100007F:C351 01 00000010:00000000 00:00000000 00000000  1000        0 77002 1 0000000000000000'
const V6 =
  '   2: B80D0120000000000000000001000000:0050 B80D0120000000000000000002000000:D431 04 00000001:00000000 00:00000000 00000000     0        0 77003 1 0000000000000000'

describe('reading rows', () => {
  it('addresses of both tables come out alike', () => {
    expect(parseRow(V4)).toMatchObject({ state: 1, txQueueBytes: 0xa1b2, inode: 77001 })
    expect(parseRow(V4)?.local).toBe(endpointKey('127.0.0.1', 8080))
    expect(parseRow(V4)?.local).toBe(endpointKey('::ffff:127.0.0.1', 8080))
    expect(parseRow(MAPPED)?.remote).toBe(endpointKey('127.0.0.1', 50001))
    expect(parseRow(V6)?.local).toBe(endpointKey('2001:db8::1', 80))
    expect(parseRow(V6)?.remote).toBe(endpointKey('2001:0DB8:0:0:0:0:0:2', 54321))
  })

  it.each([HEADING, '', 'x', V4.slice(0, 60)])('%j is no row', (line) => {
    expect(parseRow(line)).toBeNull()
  })

  it('reads every way of writing an address, and refuses what is none (RFC 4291 §2.2)', () => {
    expect(endpointKey('::', 1)).toBe(`${'0'.repeat(32)}:1`)
    expect(endpointKey('::1', 1)).toBe(`${'0'.repeat(31)}1:1`)
    expect(endpointKey('fe80::1%eth0', 1)).toBe(`fe80${'0'.repeat(27)}1:1`)
    for (const text of ['', '1.2.3', '1.2.3.256', '1:2', '1::2::3:4:5:6:7:8', '::g', '::1.2.3']) {
      expect(endpointKey(text, 1)).toBeNull()
    }
  })
})

describe('matching rows', () => {
  const ask = { inode: 77001, local: endpointKey('127.0.0.1', 8080)!, remote: endpointKey('127.0.0.1', 50000)! }

  it('by inode and 4-tuple alike', () => {
    expect(findQueues([`${HEADING}\n${V4}\n`, ''], [ask])).toEqual([0xa1b2])
    expect(findQueues([V4], [{ ...ask, inode: 77009 }])).toEqual([null])
    expect(findQueues([V4], [{ ...ask, remote: endpointKey('127.0.0.1', 50001)! }])).toEqual([null])
    expect(findQueues([''], [ask])).toEqual([null])
  })

  it('a listening row and one of a dead socket have no count', () => {
    const listening = { inode: 597, local: endpointKey('0.0.0.0', 2024)!, remote: endpointKey('0.0.0.0', 0)! }
    expect(findQueues([LISTENING], [listening])).toEqual([null])
    expect(findQueues([V4.replace(' 01 0000', ' 07 0000')], [ask])).toEqual([null])
  })

  it('a row that shows twice counts with its longer queue', () => {
    expect(findQueues([`${V4}\n${V4.replace('0000A1B2', '00000001')}`], [ask])).toEqual([0xa1b2])
  })
})

describe.skipIf(process.platform !== 'linux')('the real table (needs Linux)', () => {
  const kernel = startKernelTable({ log: { warn: () => {} } })
  afterAll(() => kernel.stop())

  it('counts what a client that does not read has not taken, and nothing when it has', async () => {
    const listener = net.createServer().listen(0, '127.0.0.1')
    await once(listener, 'listening')
    const accepted = new Promise<net.Socket>((resolve) => listener.once('connection', resolve))
    const client = net.connect((listener.address() as AddressInfo).port, '127.0.0.1').pause()
    const socket = await accepted
    const ask = kernelAskOf(socket)!
    expect(ask.local).toBe(endpointKey('127.0.0.1', socket.localPort!))
    expect((await kernel.read([ask]))?.queues).toEqual([0])
    socket.write(Buffer.alloc(64 * 1024 * 1024))
    let queue = 0
    while (queue === 0) queue = (await kernel.read([ask]))?.queues[0] ?? 0
    expect(queue).toBeGreaterThan(0)
    expect((await kernel.read([{ ...ask, inode: ask.inode + 1_000_000 }]))?.queues).toEqual([null])
    socket.resetAndDestroy()
    expect((await kernel.read([ask]))?.queues).toEqual([null])
    expect(kernelAskOf(socket)).toBeNull()
    client.destroy()
    listener.close()
  })
})

describe('when it is read', () => {
  it('not at all while nothing is under way, and a failed reading claims nothing', async () => {
    let readings = 0
    const applied: unknown[] = []
    const watch = createKernelWatch({
      kernel: {
        readable: true,
        read: async () => {
          readings += 1
          return null
        },
        stop: async () => {},
      },
    })
    let idle = true
    const ask = { inode: 1, local: '', remote: '' }
    watch.add({
      snapshot: () => (idle ? null : { ask, acceptedBytes: 5 }),
      apply: (reading) => applied.push(reading),
    })
    await watch.readNow()
    expect([readings, applied]).toEqual([0, []])
    idle = false
    await watch.readNow()
    expect([readings, applied]).toEqual([1, [{ txQueueBytes: null, acceptedBytes: 5 }]])
    watch.stop()
  })

  it('a long reading is followed by a long rest, however often an early one is wished for', async () => {
    let readings = 0
    const read = async () => {
      readings += 1
      return { queues: [0], tookMs: 1000 } // Then 19 s of rest keep it to 5 % of a core.
    }
    const watch = createKernelWatch({ kernel: { readable: true, read, stop: async () => {} } })
    watch.add({ snapshot: () => ({ ask: { inode: 1, local: '', remote: '' }, acceptedBytes: 5 }), apply: () => {} })
    for (let i = 0; i < 20; i += 1) {
      watch.soon()
      await new Promise((resolve) => setTimeout(resolve, 10))
    }
    expect(readings).toBe(1)
    watch.stop()
  })
})
