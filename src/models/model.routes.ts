import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { AppError } from '../errors.js'
import { changeProblems, Id, PageQuery, pageOf, problems, toPage, type ZodApp } from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import type { ModelService } from './model.service.js'
import { findModel, listModels, type Model } from './model.store.js'
import { Profile } from './profile.js'

const ModelView = z
  .object({ id: z.string(), profile: Profile, createdAt: z.string(), changedAt: z.string() })
  .meta({ id: 'Model' })

const toView = (model: Model): z.infer<typeof ModelView> => ({
  id: model.id,
  profile: model.profile,
  createdAt: toRfc3339(model.createdAtMs),
  changedAt: toRfc3339(model.changedAtMs),
})

export function modelRoutes(deps: { read: Db; models: Remote<ModelService> }): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get(
      '/models',
      {
        onRequest: requireRole('read'),
        schema: { querystring: PageQuery, response: { 200: pageOf(ModelView), ...problems() } },
      },
      async (request) => {
        const { items, next } = toPage(await listModels(deps.read, request.query), request.query.limit)
        return { items: items.map(toView), next }
      },
    )
    app.get(
      '/models/:id',
      {
        onRequest: requireRole('read'),
        schema: { params: z.object({ id: Id }), response: { 200: ModelView, ...problems(404) } },
      },
      async (request) => {
        const model = await findModel(deps.read, request.params.id)
        if (!model)
          throw new AppError(
            'model-not-found',
            `There is no model ${request.params.id}: add its profile first, or correct the id.`,
          )
        return toView(model)
      },
    )
    app.put(
      '/models/:id',
      {
        onRequest: requireRole('integrate'),
        schema: {
          params: z.object({ id: Id }),
          body: Profile,
          response: { 200: ModelView, 201: ModelView, ...changeProblems() },
        },
      },
      async (request, reply) => {
        if (request.params.id !== request.body.id) {
          throw new AppError(
            'request-invalid',
            `The address names ${request.params.id}, the profile ${request.body.id}: use one.`,
          )
        }
        const { model, created } = await deps.models.put(request.actor, request.body)
        return reply.code(created ? 201 : 200).send(toView(model))
      },
    )
  }
}
