// The same HTTP instance and the same route with its schemas as the public listener has, and nothing behind it: no database,
// no other thread. What no durable server can be faster than.

import { readItem } from '../../dist/src/checkins/checkin.js'
import { checkinRoutes } from '../../dist/src/checkins/checkin.routes.js'
import { createHttpApp } from '../../dist/src/http/app.driver.js'
import { createLogger } from '../../dist/src/logger.js'

const app = await createHttpApp({ log: createLogger('info'), clock: Date.now })
app.addHook('onRequest', async (request) => {
  request.key = { id: 'k', role: 'check-in' }
  request.actor = { id: 'k', name: 'k', role: 'check-in', via: 'public', once: null }
})
const accept = async (_actor, { items }) =>
  items.map((item, index) => {
    const read = readItem(item, Date.now())
    const accepted = 'checkin' in read
    const unit = accepted ? read.checkin.unit : read.unit
    return { index, unit, accepted, duplicate: false, task: null, state: null, code: accepted ? null : read.code }
  })
await app.register(checkinRoutes({ checkins: { accept }, listener: 'public' }))
await app.listen({ host: '127.0.0.1', port: 0 })
process.send(app.server.address().port)
