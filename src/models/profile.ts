// The profile of a model: what its cameras need and how they behave, in one form. Pure.
import { z } from 'zod'
import { AppError } from '../errors.js'

const seconds = (fallback: number, max = 30 * 86_400) => z.number().int().min(0).max(max).default(fallback)

/** A technician's computer cannot store a file of such a name, whatever follows the dot: common practice, no source. */
const WINDOWS_DEVICE = /^(?:con|prn|aux|nul|com\d|lpt\d)(?:\.|$)/i

/** Only signs that every path of an SMS and every file system leaves alone; `_` is allowed and cautioned. */
export const FileName = z
  .string()
  .min(1)
  .max(64)
  .regex(/^[A-Za-z0-9._-]+$/, 'only letters, digits, dot, dash and (with a caution) underscore')
  .refine((name) => !name.endsWith('.'), 'must not end with a dot')
  .refine((name) => !WINDOWS_DEVICE.test(name), 'is the name of a device on Windows')

export const Caution = z.object({ code: z.string().min(1).max(40), text: z.string().min(1).max(500) })
export type Caution = z.infer<typeof Caution>

export const Profile = z
  .strictObject({
    id: z
      .string()
      .regex(/^[a-z0-9][a-z0-9-]{0,39}$/, 'lower-case letters, digits and dashes')
      .describe('Name of the model in the API.'),
    title: z.string().min(1).max(120),
    versions: z
      .strictObject({
        scheme: z
          .enum(['listed', 'semver'])
          .describe(
            '`listed`: versions are equal or not, nothing more. `semver`: ordered by Semantic Versioning 2.0.0.',
          ),
      })
      .default({ scheme: 'listed' }),
    fileName: z
      .string()
      .max(64)
      .nullable()
      .default(null)
      .describe(
        'What the served file must be called, to the letter; `{version}` may stand in it. null: the package’s own name.',
      ),
    command: z
      .strictObject({
        template: z
          .string()
          .min(1)
          .max(2000)
          .describe('The text, with places such as {url}; nothing is added or trimmed.'),
        encoding: z.enum(['GSM-7', 'any']).default('GSM-7'),
        maxUnits: z
          .number()
          .int()
          .min(1)
          .max(10_000)
          .nullable()
          .default(null)
          .describe('Longest text in septets or UTF-16 units.'),
        maxSegments: z.number().int().min(1).max(10).default(1),
        urlMaxBytes: z.number().int().min(40).max(2000).default(128),
        forbiddenInUrl: z.string().max(64).default('').describe('Signs at which the unit’s parser would split.'),
      })
      .describe('How the unit is told to download.'),
    times: z
      .strictObject({
        installSeconds: seconds(1800).describe('From the last byte to the new version, at most.'),
        soakSeconds: seconds(900).describe('How long the new version must hold until it is confirmed.'),
        reportsApartSeconds: seconds(600).describe(
          'How far apart two reports of the old version must lie to count as "not applied".',
        ),
      })
      .default({ installSeconds: 1800, soakSeconds: 900, reportsApartSeconds: 600 }),
    byteBudgetFactor: z
      .number()
      .min(1)
      .max(1000)
      .default(2.5)
      .describe('Byte budget of a unit link: factor × size + 1 MiB.'),
    inferredAllowed: z.boolean().default(true).describe('Whether an inferred ledger may reach `fetched`.'),
    damagedAfter: z
      .number()
      .int()
      .min(1)
      .max(100)
      .default(2)
      .describe('Digest mismatches until the task fails as `damaged`.'),
    contentDisposition: z.boolean().default(false),
    clientLooksLikeBrowser: z
      .boolean()
      .default(false)
      .describe(
        'Whether the unit’s own client names itself as browsers do. false: such a request on a unit link is flagged and proves nothing.',
      ),
    cautions: z.array(Caution).max(20).default([]),
  })
  .meta({ id: 'Profile' })
export type Profile = z.infer<typeof Profile>

const MIB = 1024 * 1024

export const byteBudget = (profile: Pick<Profile, 'byteBudgetFactor'>, sizeBytes: number): number =>
  Math.ceil(profile.byteBudgetFactor * sizeBytes) + MIB

/**
 * The name in the link, to the letter.
 * @throws AppError request-invalid where the version puts a sign into it that a path may not hold.
 */
export function servedFileName(
  profile: Pick<Profile, 'fileName' | 'id'>,
  pack: { fileName: string; version: string },
): string {
  if (profile.fileName === null) return pack.fileName
  const name = profile.fileName.replaceAll('{version}', pack.version)
  const { success } = FileName.safeParse(name)
  if (!success) {
    throw new AppError(
      'request-invalid',
      `The file name "${name}" of model ${profile.id} cannot stand in a link: correct the profile or the version.`,
    )
  }
  return name
}
