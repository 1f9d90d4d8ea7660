import type { Readable } from 'node:stream'
import type { FastifyPluginAsync, FastifyRequest } from 'fastify'
import { z } from 'zod'
import { keyOf } from '../access/authenticate.service.js'
import { requireRole, sameBytes } from '../access/require-role.js'
import type { DiskStore } from '../blobs/disk.driver.js'
import { type Clock, toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { AppError } from '../errors.js'
import { readApart } from '../http/request-body.driver.js'
import { changeProblems, Id, PageQuery, pageOf, problems, toPage, type ZodApp } from '../http/zod-routes.js'
import { newId } from '../ids.js'
import { findModel } from '../models/model.store.js'
import { FileName } from '../models/profile.js'
import type { Remote } from '../threads/remote.js'
import { normaliseVersion, versionFault } from '../versions/version.js'
import { type PackageService, requirePackage } from './package.service.js'
import { listPackages, PACKAGE_STATES, type Package } from './package.store.js'
import { claimedDigests } from './upload-digests.js'

export const PackageView = z
  .object({
    id: z.string(),
    model: z.string(),
    version: z.string(),
    fileName: z.string(),
    sizeBytes: z.number().int(),
    digests: z.object({ sha256: z.string(), sha1: z.string(), md5: z.string(), crc32: z.string() }),
    state: z.enum(PACKAGE_STATES),
    installsOver: z.array(z.string()).nullable(),
    findings: z.array(z.object({ level: z.enum(['error', 'caution', 'info']), code: z.string(), text: z.string() })),
    notes: z.string(),
    createdAt: z.string(),
  })
  .meta({ id: 'Package' })

export const toPackageView = (pack: Package): z.infer<typeof PackageView> => ({
  id: pack.id,
  model: pack.modelId,
  version: pack.version,
  fileName: pack.fileName,
  sizeBytes: pack.sizeBytes,
  digests: pack.digests,
  state: pack.state,
  installsOver: pack.installsOver,
  findings: pack.findings,
  notes: pack.notes,
  createdAt: toRfc3339(pack.createdAtMs),
})

/** A version as it is compared: normalised, and refused where nothing is left of it. */
export const Version = z
  .string()
  .max(256)
  .transform((text, context) => {
    const fault = versionFault(text)
    if (fault) context.addIssue({ code: 'custom', message: `is no version (${fault})` })
    return normaliseVersion(text)
  })

const VERSIONS_MAX = 500

export function packageRoutes(deps: {
  read: Db
  clock: Clock
  disk: DiskStore
  packages: Remote<PackageService>
}): FastifyPluginAsync {
  /** The bytes are on disk before the record knows of them; whatever fails then takes them away again. */
  async function ingest(
    request: FastifyRequest,
    input: { modelId: string; version: string; fileName: string },
    body: Readable,
  ) {
    const claimed = claimedDigests(request.headers)
    const received = await deps.disk.receive(body, newId('up', deps.clock()), claimed)
    const actor = sameBytes(request.actor, received.digests.sha256)
    try {
      claimed.check(received.digests)
      // A large file takes an hour to come in, and the key may be gone by then.
      if (!(await keyOf(request, deps))) throw new AppError('key-missing', 'The key was revoked during the upload.')
      return await deps.packages.register(actor, { ...input, received })
    } catch (error) {
      await deps.packages.forget(received.digests.sha256).catch(() => undefined)
      throw error
    } finally {
      // Nothing is there any more where the file was taken into the store.
      await deps.disk.discard(received.temporary)
    }
  }

  const upload: FastifyPluginAsync = async (instance) => {
    const app = instance as unknown as ZodApp
    // The body stays a stream: a file of any size goes to disk piece by piece.
    app.removeAllContentTypeParsers()
    app.addContentTypeParser('*', (_request, payload, done) => done(null, payload))

    app.post(
      '/packages',
      {
        onRequest: requireRole('integrate'),
        bodyLimit: Number.MAX_SAFE_INTEGER,
        schema: {
          description:
            'The body is the file itself. Repr-Digest and Content-Digest (RFC 9530) are enforced where given.',
          'x-firmhand-body': { 'application/octet-stream': 'The bytes of the file, of any size' },
          headers: z.looseObject({
            'repr-digest': z.string().max(2000).optional().describe('RFC 9530, for example sha-256=:BASE64:'),
            'content-digest': z.string().max(2000).optional().describe('RFC 9530'),
          }),
          querystring: z.object({ model: Id, version: Version, fileName: FileName }),
          response: { 200: PackageView, 201: PackageView, ...changeProblems(404, 409) },
        },
      },
      async (request, reply) => {
        const { model, version, fileName } = request.query
        if (!(await findModel(deps.read, model))) {
          throw new AppError('model-not-found', `There is no model ${model}: add its profile first.`)
        }
        // RFC 9112 §6.1: `chunked` is the only coding that is taken off; what another one made of the file would be stored.
        const transfer = request.headers['transfer-encoding'] ?? 'chunked'
        if (request.headers['content-encoding'] !== undefined || transfer.trim().toLowerCase() !== 'chunked') {
          throw new AppError(
            'media-type-unknown',
            'Send the file as it is: no Content-Encoding, and no transfer coding but chunked.',
          )
        }
        const body = readApart((request.body ?? request.raw) as Readable)
        const { pack, created } = await ingest(request, { modelId: model, version, fileName }, body)
        return reply.code(created ? 201 : 200).send(toPackageView(pack))
      },
    )
  }

  return async (instance) => {
    await instance.register(upload)
    packageReads(instance as unknown as ZodApp, deps)
    packageChanges(instance as unknown as ZodApp, deps)
  }
}

function packageChanges(app: ZodApp, deps: { packages: Remote<PackageService> }): void {
  const params = z.object({ id: Id })
  app.patch(
    '/packages/:id',
    {
      onRequest: requireRole('integrate'),
      schema: {
        params,
        body: z.strictObject({
          installsOver: z.array(Version).max(VERSIONS_MAX).nullable().optional(),
          notes: z.string().max(20_000).optional(),
        }),
        response: { 200: PackageView, ...changeProblems(404, 409) },
      },
    },
    async (request) => {
      const { installsOver, notes } = request.body
      const change = { ...(installsOver !== undefined && { installsOver }), ...(notes !== undefined && { notes }) }
      return toPackageView(await deps.packages.change(request.actor, request.params.id, change))
    },
  )
  app.post(
    '/packages/:id/release',
    {
      onRequest: requireRole('integrate'),
      schema: {
        params,
        body: z
          .strictObject({
            acceptFindings: z
              .array(z.string().max(40))
              .max(20)
              .default([])
              .describe('Codes of findings that are known and wanted.'),
          })
          .nullish(),
        response: { 200: PackageView, ...changeProblems(404, 409) },
      },
    },
    async (request) =>
      toPackageView(await deps.packages.release(request.actor, request.params.id, request.body?.acceptFindings ?? [])),
  )
}

function packageReads(app: ZodApp, deps: { read: Db }): void {
  app.get(
    '/packages',
    {
      onRequest: requireRole('read'),
      schema: {
        querystring: PageQuery.extend({ model: Id.optional() }),
        response: { 200: pageOf(PackageView), ...problems() },
      },
    },
    async (request) => {
      const { items, next } = toPage(await listPackages(deps.read, request.query), request.query.limit)
      return { items: items.map(toPackageView), next }
    },
  )
  app.get(
    '/packages/:id',
    {
      onRequest: requireRole('read'),
      schema: { params: z.object({ id: Id }), response: { 200: PackageView, ...problems(404) } },
    },
    async (request) => toPackageView(await requirePackage({ db: deps.read }, request.params.id)),
  )
}
