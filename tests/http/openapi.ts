// Reads the server's own description, for tests that walk every route.
import request from 'supertest'

export const METHODS = ['get', 'post', 'put', 'patch', 'delete', 'head', 'options', 'trace'] as const

export interface Operation {
  method: 'get' | 'head' | 'post' | 'put' | 'patch' | 'delete'
  path: string
  /** Which listener has it. */
  listener: 'office' | 'public'
  parameters: { in: string; name: string; required?: boolean; schema: Schema }[]
  /** The schema of a JSON body. */
  body: Schema | null
  /** All media types of the body. */
  media: string[]
  responses: Record<string, { content?: Record<string, { schema: Schema }> }>
  security: unknown[] | undefined
  roles: string[] | null
}

// JSON Schema 2020-12, of any shape.
// biome-ignore lint/suspicious/noExplicitAny: a schema is whatever the document says
export type Schema = any

/** All operations of both listeners. */
export async function readAll(officeUrl: string): Promise<{ document: Schema; operations: Operation[] }> {
  const { body: document } = await request(officeUrl).get('/openapi.json').expect(200)
  const operations = Object.entries<Schema>(document.paths).flatMap(([path, item]) =>
    METHODS.filter((method) => item[method]).map((method) => {
      const operation = item[method]
      return {
        method: method as Operation['method'],
        path,
        listener: item.servers ? ('public' as const) : ('office' as const),
        parameters: [...(item.parameters ?? []), ...(operation.parameters ?? [])],
        body: operation.requestBody?.content?.['application/json']?.schema ?? null,
        media: Object.keys(operation.requestBody?.content ?? {}),
        responses: operation.responses,
        security: operation.security,
        roles: operation['x-firmhand-role'] ?? null,
      }
    }),
  )
  return { document, operations }
}

/** Those of the office listener. */
export async function readDocument(officeUrl: string): Promise<{ document: Schema; operations: Operation[] }> {
  const { document, operations } = await readAll(officeUrl)
  return { document, operations: operations.filter(({ listener }) => listener === 'office') }
}

/** An address with something in every place. */
export const filled = (path: string, value = 'nothing'): string => path.replaceAll(/\{\w+\}/g, value)
