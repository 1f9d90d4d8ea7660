// Where the `type` of a problem document leads (RFC 9457 §3.1.1): what the code means, as a page for people or as JSON.
import type { FastifyPluginAsync } from 'fastify'
import { z } from 'zod'
import { AppError, PROBLEMS, type ProblemCode } from '../errors.js'
import { ProblemView } from './problem.js'
import { PROBLEM_GUIDE } from './problem-guide.js'
import type { ZodApp } from './zod-routes.js'

const KindView = z
  .object({ type: z.string(), code: z.string(), status: z.number().int(), title: z.string() })
  .extend({ when: z.string(), remedy: z.string() })
  .meta({ id: 'ProblemKind', description: 'What a code means. No key is needed to read it.' })
type KindView = z.infer<typeof KindView>

const kindOf = (code: ProblemCode): KindView => ({
  type: `/problems/${code}`,
  code,
  ...PROBLEMS[code],
  ...PROBLEM_GUIDE[code],
})

/** The texts are our own; what could be taken for markup is written as such all the same. */
const html = (text: string): string =>
  text
    .replaceAll('&', '&amp;')
    .replaceAll('<', '&lt;')
    .replaceAll(/`([^`]*)`/g, '<code>$1</code>')

const pageOf = (kind: KindView): string => `<!doctype html>
<html lang="en">
<meta charset="utf-8">
<title>${kind.code}</title>
<h1>${html(kind.title)}</h1>
<p><code>${kind.code}</code>, status ${kind.status}</p>
<h2>When it occurs</h2>
<p>${html(kind.when)}</p>
<h2>What to do</h2>
<p>${html(kind.remedy)}</p>
</html>
`

/** A browser names text/html; a program that names nothing gets JSON. */
const wantsPage = (accept: string | undefined): boolean => /\btext\/html\b/i.test(accept ?? '')

export function problemRoutes(): FastifyPluginAsync {
  return async (instance) => {
    const app = instance as unknown as ZodApp
    app.get(
      '/problems',
      { schema: { security: [], response: { 200: z.object({ items: z.array(KindView), next: z.null() }) } } },
      async () => ({ items: (Object.keys(PROBLEMS) as ProblemCode[]).map(kindOf), next: null }),
    )
    app.get(
      '/problems/:code',
      {
        schema: {
          description: 'Where the `type` of a problem leads: a page for browsers, JSON for the rest.',
          security: [],
          params: z.object({ code: z.string().max(64) }),
          response: {
            200: { content: { 'application/json': { schema: KindView }, 'text/html': { schema: z.string() } } },
            400: ProblemView,
            404: ProblemView,
            500: ProblemView,
          },
        },
      },
      async (request, reply) => {
        const { code } = request.params as { code: string }
        if (!Object.hasOwn(PROBLEMS, code))
          throw new AppError('route-unknown', `There is no problem code ${code}: docs/errors.md lists them.`)
        const kind = kindOf(code as ProblemCode)
        void reply.header('vary', 'accept')
        if (!wantsPage(request.headers.accept)) return kind
        return reply
          .type('text/html; charset=utf-8')
          .serializer(String)
          .send(pageOf(kind) as never)
      },
    )
  }
}
