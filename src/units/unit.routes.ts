import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { requireRole } from '../access/require-role.js'
import { toRfc3339 } from '../clock.js'
import type { Db } from '../db/db.js'
import { changeProblems, Id, PageQuery, pageOf, problems, toPage, type ZodApp } from '../http/zod-routes.js'
import type { Remote } from '../threads/remote.js'
import { checkIccid, checkImei, checkPhone, checkSerial, type IdentityResult } from './identity.js'
import {
  GROUP_NAME_MAX,
  GROUPS_MAX,
  HARDWARE_MAX,
  isTimeZone,
  NOTES_MAX,
  TIME_ZONE_MAX,
  type UnitInput,
} from './unit.js'
import { requireUnit, type UnitService } from './unit.service.js'
import { findOpenTasks, listUnits, type Unit } from './unit.store.js'

const UnitView = z
  .object({
    id: z.string(),
    imei: z.string().nullable(),
    serial: z.string().nullable(),
    model: z.string(),
    hardware: z.string().nullable(),
    phone: z.string().nullable(),
    iccid: z.string().nullable(),
    groups: z.array(z.string()),
    timeZone: z.string(),
    dataAllowanceBytes: z.number().int().nullable(),
    notes: z.string(),
    version: z.string().nullable(),
    versionObservedAt: z.string().nullable(),
    openTask: z.string().nullable(),
    retired: z.boolean(),
  })
  .meta({ id: 'Unit' })

/** A schema from a rule of identity.ts: the value comes out as it is stored. */
const identity = (check: (text: string) => IdentityResult) =>
  z
    .string()
    .max(64)
    .transform((text, context) => {
      const result = check(text)
      if (result.ok) return result.value
      context.addIssue({ code: 'custom', message: result.detail })
      return z.NEVER
    })

const fields = {
  imei: identity(checkImei).nullable(),
  serial: identity(checkSerial).nullable(),
  model: Id,
  hardware: z.string().max(HARDWARE_MAX).nullable(),
  phone: identity(checkPhone).nullable(),
  iccid: identity(checkIccid).nullable(),
  groups: z.array(z.string().min(1).max(GROUP_NAME_MAX)).max(GROUPS_MAX),
  timeZone: z
    .string()
    .max(TIME_ZONE_MAX)
    .refine(isTimeZone, 'is no name of the IANA time zone database, for example Europe/Berlin'),
  dataAllowanceBytes: z.number().int().min(0).max(Number.MAX_SAFE_INTEGER).nullable(),
  notes: z.string().max(NOTES_MAX),
  retired: z.boolean(),
}

const NewUnit = z.strictObject({
  imei: fields.imei.default(null),
  serial: fields.serial.default(null),
  model: fields.model,
  hardware: fields.hardware.default(null),
  phone: fields.phone.default(null),
  iccid: fields.iccid.default(null),
  groups: fields.groups.default([]),
  timeZone: fields.timeZone.default('UTC'),
  dataAllowanceBytes: fields.dataAllowanceBytes.default(null),
  notes: fields.notes.default(''),
  retired: fields.retired.default(false),
})
const UnitChange = z.strictObject(fields).partial()

/** The API says `model`, the record `modelId`. */
function toInput<T extends { model?: string | undefined }>({ model, ...rest }: T): Partial<UnitInput> {
  const given = Object.fromEntries(Object.entries(rest).filter(([, value]) => value !== undefined))
  return { ...given, ...(model !== undefined && { modelId: model }) }
}

const toView = (unit: Unit, openTask: string | null): z.infer<typeof UnitView> => ({
  id: unit.id,
  imei: unit.imei,
  serial: unit.serial,
  model: unit.modelId,
  hardware: unit.hardware,
  phone: unit.phone,
  iccid: unit.iccid,
  groups: unit.groups,
  timeZone: unit.timeZone,
  dataAllowanceBytes: unit.dataAllowanceBytes,
  notes: unit.notes,
  version: unit.version,
  versionObservedAt: unit.versionObservedAtMs === null ? null : toRfc3339(unit.versionObservedAtMs),
  openTask,
  retired: unit.retired,
})

/** Of a list of units and of its export alike. */
export const UNIT_FILTERS = { model: Id.optional(), group: z.string().max(GROUP_NAME_MAX).optional() }

export function unitRoutes(deps: { read: Db; units: Remote<UnitService> }): FastifyPluginAsync {
  const views = async (units: Unit[]) => {
    const open = await findOpenTasks(
      deps.read,
      units.map((unit) => unit.id),
    )
    return units.map((unit) => toView(unit, open.get(unit.id) ?? null))
  }

  return async (instance) => {
    const app = instance as unknown as ZodApp
    const params = z.object({ id: Id.describe('Our id, IMEI or serial number') })
    app.get(
      '/units',
      {
        onRequest: requireRole('read'),
        schema: {
          querystring: PageQuery.extend(UNIT_FILTERS),
          response: { 200: pageOf(UnitView), ...problems() },
        },
      },
      async (request) => {
        const { items, next } = toPage(await listUnits(deps.read, request.query), request.query.limit)
        return { items: await views(items), next }
      },
    )
    app.post(
      '/units',
      {
        onRequest: requireRole('operate'),
        schema: { body: NewUnit, response: { 201: UnitView, ...changeProblems(404, 409) } },
      },
      async (request, reply) => {
        const unit = await deps.units.create(request.actor, toInput(request.body) as UnitInput)
        return reply.code(201).send(toView(unit, null))
      },
    )
    app.get(
      '/units/:id',
      { onRequest: requireRole('read'), schema: { params, response: { 200: UnitView, ...problems(404) } } },
      async (request) => (await views([await requireUnit({ db: deps.read }, request.params.id)]))[0]!,
    )
    app.patch(
      '/units/:id',
      {
        onRequest: requireRole('operate'),
        schema: { params, body: UnitChange, response: { 200: UnitView, ...changeProblems(404, 409) } },
      },
      async (request) => {
        const unit = await deps.units.change(request.actor, request.params.id, toInput(request.body))
        return (await views([unit]))[0]!
      },
    )
  }
}
