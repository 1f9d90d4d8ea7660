// Started under `ulimit -S -f`: fills the record until the disk takes no more, then gets room again. Prints what happened.
import { execFileSync } from 'node:child_process'
import { migrate } from '../../dist/src/db/migrate.driver.js'
import { openSqlite } from '../../dist/src/db/sqlite.driver.js'
import { createWriteQueue } from '../../dist/src/db/write-queue.driver.js'

const [file] = process.argv.slice(2)
const db = openSqlite(file, 'write')
await migrate(db)
const published = []
const queue = createWriteQueue({ db, clock: () => 1, publish: (effects) => published.push(...effects) })
const insert = (id) =>
  queue.run(async (work) => {
    work.effects.push({ kind: 'audit', seq: Number(id.split(' ')[0]) })
    await work.db.insertInto('server').values({ id, created_at_ms: 1 }).execute()
  })
const filler = 'x'.repeat(20_000)
const stored = async () => {
  const read = openSqlite(file, 'read')
  const rows = await read.selectFrom('server').select('id').execute()
  await read.destroy()
  return rows.map(({ id }) => Number(id.split(' ')[0])).sort((a, b) => a - b)
}

const answered = []
const refused = []
for (let n = 0; n < 2000 && refused.length === 0; n += 5) {
  const group = [n, n + 1, n + 2, n + 3, n + 4]
  const results = await Promise.allSettled(group.map((id) => insert(`${id} ${filler}`)))
  for (const [index, result] of results.entries()) {
    if (result.status === 'fulfilled') answered.push(group[index])
    else refused.push({ id: group[index], code: result.reason.code, message: result.reason.message })
  }
}
const atFault = await stored()
const again = await insert(`9000 ${filler}`).then(
  () => 'stored',
  (error) => error.code,
)
execFileSync('prlimit', ['--pid', String(process.pid), '--fsize=unlimited'])
await insert(`9001 ${filler}`)
const afterwards = await stored()
await queue.close()
await db.destroy()
console.log(
  JSON.stringify({ answered, refused, atFault, again, afterwards, published: published.map(({ seq }) => seq) }),
)
