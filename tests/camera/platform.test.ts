import { createServer, type Server } from 'node:http'
import type { AddressInfo } from 'node:net'
import { afterEach, describe, expect, it } from 'vitest'
import { createFleetPlatform } from '../../src/camera/platform.js'
import { endCameras, OLD, startCamera } from './test-camera.js'

interface Post {
  url: string
  authorization: string
  items: { unit: string; version: string; observedAt: string; id: string }[]
}

const servers: Server[] = []
afterEach(async () => {
  await endCameras()
  for (const server of servers.splice(0)) await new Promise((resolve) => server.close(resolve).closeAllConnections())
})

/** Takes check-ins as interfaces.md says, or answers with the statuses given first. */
async function startInbox(statuses: number[] = []): Promise<{ url: string; posts: Post[] }> {
  const posts: Post[] = []
  const server = createServer(async (request, response) => {
    const chunks: Buffer[] = []
    for await (const chunk of request) chunks.push(chunk as Buffer)
    const items = JSON.parse(Buffer.concat(chunks).toString()) as Post['items']
    posts.push({ url: `${request.method} ${request.url}`, authorization: request.headers.authorization ?? '', items })
    const status = statuses.shift() ?? 200
    response.writeHead(status, { 'content-type': 'application/json' })
    response.end(JSON.stringify({ results: items.map((_, index) => ({ index, accepted: true })) }))
  })
  servers.push(server)
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
  return { url: `http://127.0.0.1:${(server.address() as AddressInfo).port}`, posts }
}

const FIRST = { imei: '009977010000012', phone: '+441632960001' }
const SECOND = { imei: '009977010000020', phone: '+441632960002' }

async function platformFor(serverUrl: string) {
  const cameras = [await startCamera({ identity: FIRST }), await startCamera({ identity: SECOND })]
  const troubles: string[] = []
  const platform = createFleetPlatform({
    cameras,
    serverUrl,
    key: 'key-of-the-test',
    pollEveryMs: 5,
    onTrouble: (detail) => troubles.push(detail),
  })
  return { cameras, platform, troubles }
}

describe('the fleet platform', () => {
  it('posts what each camera answers, with key, IMEI, RFC 3339 time and an id of its own', async () => {
    const { url, posts } = await startInbox()
    const { platform } = await platformFor(url)
    expect(await platform.pollOnce()).toBe(2)
    expect(await platform.pollOnce()).toBe(2)
    expect(posts[0]).toMatchObject({ url: 'POST /in/check-ins', authorization: 'Bearer key-of-the-test' })
    expect(posts[0]!.items.map(({ unit, version }) => [unit, version])).toEqual([
      [FIRST.imei, OLD],
      [SECOND.imei, OLD],
    ])
    for (const { observedAt } of posts[0]!.items) expect(observedAt).toMatch(/^2026-01-15T00:00:00\.\d{3}Z$/)
    const ids = posts.flatMap(({ items }) => items.map(({ id }) => id))
    expect(new Set(ids).size).toBe(4)
  })

  it('posts nothing for a camera that does not answer', async () => {
    const { url, posts } = await startInbox()
    const { platform, cameras } = await platformFor(url)
    await cameras[0]!.stop()
    expect(await platform.pollOnce()).toBe(1)
    expect(posts[0]!.items.map(({ unit }) => unit)).toEqual([SECOND.imei])
    await cameras[1]!.stop()
    expect(await platform.pollOnce()).toBe(0)
    expect(posts).toHaveLength(1)
  })

  it('keeps what the server did not take and offers it again under the same ids', async () => {
    const { url, posts } = await startInbox([503])
    const { platform } = await platformFor(url)
    await expect(platform.pollOnce()).rejects.toThrow('503')
    expect(await platform.pollOnce()).toBe(4)
    expect(posts[1]!.items.slice(0, 2)).toEqual(posts[0]!.items)
  })

  it('hands each report over once, also where two polls run at once', async () => {
    const { url, posts } = await startInbox()
    const { platform } = await platformFor(url)
    await Promise.all([platform.pollOnce(), platform.pollOnce(), platform.pollOnce()])
    const ids = posts.flatMap(({ items }) => items.map(({ id }) => id))
    expect(ids).toHaveLength(6)
    expect(new Set(ids).size).toBe(6)
  })

  it('polls until it is stopped, and goes on after trouble', async () => {
    const { url, posts } = await startInbox([500])
    const { platform, troubles } = await platformFor(url)
    platform.start()
    while (posts.length < 3) await new Promise((resolve) => setTimeout(resolve, 5))
    await platform.stop()
    const count = posts.length
    await new Promise((resolve) => setTimeout(resolve, 40))
    expect(posts).toHaveLength(count)
    expect(troubles).toHaveLength(1)
  })

  it('carries a text to an IMEI or a phone number, and says where there is no such camera', async () => {
    const { url } = await startInbox()
    const { platform, cameras } = await platformFor(url)
    expect(platform.sendText({ to: SECOND.imei, text: 'x' })).toBe(true)
    expect(platform.sendText({ to: SECOND.phone, text: 'x' })).toBe(true)
    expect(platform.sendText({ to: '+441632960999', text: 'x' })).toBe(false)
    await Promise.all(cameras.map((camera) => camera.settled()))
    expect(cameras.map((camera) => camera.events.length)).toEqual([0, 2])
  })
})
