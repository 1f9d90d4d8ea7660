// The ledger against a model of the world: random schedules of connections, pipelined and parallel responses, lost
// acknowledgements, breaks, crashes of the server. The model knows, byte by byte, what has reached the client's host.
import fc from 'fast-check'
import { expect, it } from 'vitest'
import { createLinkLedger, type LinkLedger } from '../../src/downloads/link-ledger.js'
import { type Span, subtract, union } from '../../src/downloads/span.js'
import { createStreamMap, type StreamMap } from '../../src/downloads/stream-map.js'

const SIZE = 60
const HEAD = 7

interface Response {
  id: string
  connection: number
  span: Span
  next: number
  acknowledgedNext: number
  bornAt: number
  diedAt: number | null
  broke: boolean
}

interface Connection {
  id: number
  map: StreamMap
  /** For each byte of the stream its place in the file; null in heads. */
  stream: (number | null)[]
  /** How much of the stream reached the client's host, and how much of that is acknowledged here. */
  delivered: number
  acknowledged: number
  finSent: boolean
  /** Accepted bytes, noted before a reading of the kernel's table began. */
  noted: number | null
  current: Response | null
}

interface Step {
  op: 'open' | 'request' | 'write' | 'deliver' | 'ack' | 'note' | 'read' | 'break' | 'report' | 'crash' | 'fin'
  which: number
  amount: number
  offset: number
  openEnded: boolean
  near: boolean
}

class World {
  record = { sent: [] as Span[], acknowledged: [] as Span[], inferred: [] as Span[], sentBytes: 0 }
  ledger: LinkLedger = this.startLedger()
  connections: Connection[] = []
  /** Everything since the last crash, for the judgement on inferred spans. */
  responses: Response[] = []
  arrived: Span[] = []
  mayInfer: Span[] = []
  now = 0
  made = 0
  connectionsMax: number

  constructor(connectionsMax = 1) {
    this.connectionsMax = connectionsMax
  }

  startLedger(): LinkLedger {
    const rules = { behindProxy: false, countReadable: () => true }
    return createLinkLedger({ linkId: 'l', held: structuredClone(this.record), rules })
  }

  report(): void {
    const report = this.ledger.takeReport(this.now)
    if (!report) return
    this.record.sent = union(this.record.sent, report.sent)
    this.record.acknowledged = union(this.record.acknowledged, report.acknowledged)
    this.record.inferred = union(this.record.inferred, report.inferred)
    this.record.sentBytes += report.sentBytes
  }

  /** What the rule's words allow, judged over the whole history and not step by step. */
  judgeResume(offset: number): void {
    const candidates = this.responses.filter((one) => {
      const others = this.responses.filter((other) => other !== one)
      // A predecessor on the same connection lies before it in the stream; it is not beside it.
      const beside = others.filter(
        (other) =>
          other.connection !== one.connection && (other.diedAt ?? Infinity) >= one.bornAt && other.bornAt <= this.now,
      )
      const after = others.filter((other) => other.bornAt > one.bornAt || (other.diedAt ?? Infinity) > one.diedAt!)
      return one.broke && beside.length === 0 && after.length === 0
    })
    for (const { acknowledgedNext, next } of candidates) {
      if (offset <= next) this.mayInfer = union(this.mayInfer, [[acknowledgedNext, offset - 1]])
    }
  }

  request(connection: Connection, step: Step): void {
    if (connection.current && connection.current.next <= connection.current.span[1]) return
    // Often near the place of the last response, as a unit that goes on does.
    const before = this.responses.at(-1)?.span[0] ?? 0
    const first = (step.near ? before + (step.offset % 20) : step.offset) % SIZE
    const last = step.openEnded ? SIZE - 1 : Math.min(SIZE - 1, first + step.amount)
    const resumeFrom = step.openEnded && first > 0 ? first : null
    if (resumeFrom !== null) this.judgeResume(resumeFrom)
    this.made += 1
    const response: Response = {
      id: `r${this.made}`,
      connection: connection.id,
      span: [first, last],
      next: first,
      acknowledgedNext: first,
      bornAt: this.now,
      diedAt: null,
      broke: false,
    }
    this.ledger.begin({
      tryId: response.id,
      connectionId: String(connection.id),
      method: 'GET',
      status: 206,
      span: response.span,
      resumeFrom,
      atMs: this.now,
      remoteAddress: '',
      userAgent: null,
      flags: [],
    })
    this.responses.push(response)
    connection.current = response
    connection.map.addHead(HEAD)
    connection.stream.push(...Array<null>(HEAD).fill(null))
  }

  end(response: Response, how: 'complete' | 'reset'): void {
    if (response.diedAt !== null) return
    response.diedAt = this.now
    response.broke = how === 'reset'
    this.ledger.end(response.id, how, this.now)
  }

  step(step: Step): void {
    this.now += 1
    const connection = this.connections[step.which % Math.max(1, this.connections.length)]
    if (step.op === 'open') {
      const fresh: Connection = {
        id: this.now,
        map: createStreamMap(),
        stream: [],
        delivered: 0,
        acknowledged: 0,
        finSent: false,
        noted: null,
        current: null,
      }
      if (this.connections.length < this.connectionsMax) this.connections.push(fresh)
      return
    }
    if (step.op === 'report') this.report()
    if (step.op === 'crash') {
      // Everything since the last report is gone, and with it every connection.
      this.ledger = this.startLedger()
      this.connections = []
      this.responses = []
      return
    }
    if (connection) this.stepOn(connection, step)
  }

  stepOn(connection: Connection, step: Step): void {
    const { current, map, stream } = connection
    switch (step.op) {
      case 'request':
        this.request(connection, step)
        return
      case 'write': {
        if (!current || current.next > current.span[1]) return
        const span: Span = [current.next, Math.min(current.span[1], current.next + step.amount)]
        map.addBody(current.id, span)
        for (let at = span[0]; at <= span[1]; at += 1) stream.push(at)
        this.ledger.sent(current.id, span, this.now)
        current.next = span[1] + 1
        return
      }
      case 'deliver':
        for (let left = step.amount * 2; left > 0 && connection.delivered < stream.length; left -= 1) {
          const at = stream[connection.delivered]
          connection.delivered += 1
          if (at !== null && at !== undefined) this.arrived = union(this.arrived, [[at, at]])
        }
        return
      case 'ack':
        connection.acknowledged = Math.min(connection.delivered, connection.acknowledged + step.amount * 2)
        return
      case 'note':
        connection.noted = map.length
        return
      case 'fin':
        connection.finSent = true
        return
      case 'read': {
        connection.noted ??= map.length
        // write_seq - snd_una, the unacknowledged FIN counted.
        const txQueue = stream.length + (connection.finSent ? 1 : 0) - connection.acknowledged
        for (const { tryId, span } of map.acknowledgeTo(connection.noted - txQueue)) {
          this.ledger.acknowledged(tryId, span, this.now)
          const response = this.responses.find(({ id }) => id === tryId)!
          response.acknowledgedNext = span[1] + 1
          if (response.acknowledgedNext > response.span[1]) this.end(response, 'complete')
        }
        connection.noted = null
        return
      }
      case 'break':
        for (const response of this.responses) if (response.connection === connection.id) this.end(response, 'reset')
        this.connections.splice(this.connections.indexOf(connection), 1)
        return
    }
  }
}

const step = (ops: readonly Step['op'][]): fc.Arbitrary<Step> =>
  fc.record({
    op: fc.constantFrom(...ops),
    which: fc.nat(2),
    amount: fc.integer({ min: 1, max: 30 }),
    offset: fc.nat(SIZE - 1),
    openEnded: fc.boolean(),
    near: fc.boolean(),
  })

const OFTEN = ['open', 'request', 'write', 'deliver', 'deliver', 'ack', 'ack', 'note', 'read'] as const
const schedule = fc.array(
  fc.oneof(
    { weight: 12, arbitrary: step(OFTEN) },
    { weight: 1, arbitrary: step(['break', 'break', 'report', 'crash', 'fin']) },
  ),
  { minLength: 20, maxLength: 120, size: 'max' },
)

it('never says acknowledged of a byte that did not reach the host, and infers only where the rule allows', () => {
  let inferences = 0
  let acknowledgements = 0
  fc.assert(
    fc.property(fc.integer({ min: 1, max: 3 }), schedule, (connectionsMax, steps) => {
      const world = new World(connectionsMax)
      for (const one of steps) {
        world.step(one)
        expect(subtract(world.record.acknowledged, world.arrived)).toEqual([])
      }
      world.report()
      expect(subtract(world.record.acknowledged, world.arrived)).toEqual([])
      expect(subtract(world.record.inferred, world.mayInfer)).toEqual([])
      inferences += world.record.inferred.length
      acknowledgements += world.record.acknowledged.length
    }),
    { numRuns: 2000 },
  )
  // The schedules reach both rules, or the test would prove nothing.
  expect(inferences).toBeGreaterThan(0)
  expect(acknowledgements).toBeGreaterThan(0)
})

it('of an honest client, one connection at a time and resuming at what it holds, it also infers only the truth', () => {
  const round = fc.record({
    writes: fc.array(fc.integer({ min: 1, max: 20 }), { maxLength: 4 }),
    delivered: fc.nat(60),
    acknowledged: fc.nat(60),
    reads: fc.boolean(),
    crashes: fc.boolean(),
    reports: fc.boolean(),
  })
  let whole = 0
  fc.assert(
    fc.property(fc.array(round, { maxLength: 12 }), (rounds) => {
      const world = new World()
      const base = { which: 0, amount: 0, offset: 0, openEnded: true, near: false }
      for (const { writes, delivered, acknowledged, reads, crashes, reports } of rounds) {
        const [held] = world.arrived
        const offset = held ? held[1] + 1 : 0
        if (offset >= SIZE) break
        world.step({ ...base, op: 'open' })
        world.step({ ...base, op: 'request', offset })
        for (const amount of writes) world.step({ ...base, op: 'write', amount })
        world.step({ ...base, op: 'deliver', amount: delivered })
        world.step({ ...base, op: 'ack', amount: acknowledged })
        world.step({ ...base, op: 'note' })
        if (reads) world.step({ ...base, op: 'read' })
        if (reports) world.report()
        world.step({ ...base, op: crashes ? 'crash' : 'break' })
      }
      world.report()
      const claimed = union(world.record.acknowledged, world.record.inferred)
      expect(subtract(claimed, world.arrived)).toEqual([])
      if (claimed[0]?.[1] === SIZE - 1) whole += 1
    }),
    { numRuns: 1000 },
  )
  expect(whole).toBeGreaterThan(0)
})
