// Sends check-ins as fast as they are answered, from a process of its own, and tells how many and how fast.
import autocannon from 'autocannon'

const [url, key, connections, seconds, units, perSecond] = process.argv.slice(2)
let count = 0
const random = (below) => Math.floor(Math.random() * below)
const start = Date.now() - 86_400_000

/** A report of a unit that is known, of a time and under an id that are not. */
function body() {
  count += 1
  return JSON.stringify({
    unit: `u_${String(random(Number(units))).padStart(21, '0')}`,
    version: `1.${random(20)}.0`,
    observedAt: new Date(start + random(86_000_000)).toISOString(),
    id: `${process.pid}-${count}`,
  })
}

const result = await autocannon({
  url,
  connections: Number(connections),
  duration: Number(seconds),
  timeout: 60,
  // 0: each connection sends as soon as it is answered.
  ...(Number(perSecond) > 0 && { overallRate: Number(perSecond) }),
  requests: [
    {
      method: 'POST',
      headers: { authorization: `Bearer ${key}`, 'content-type': 'application/json' },
      setupRequest: (request) => ({ ...request, body: body() }),
    },
  ],
})
process.send({
  answered: result['2xx'],
  perSecond: result['2xx'] / result.duration,
  failed: result.non2xx + result.errors,
  p99Ms: result.latency.p99,
})
process.exit(0)
