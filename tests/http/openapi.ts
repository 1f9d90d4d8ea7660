// Reads the office API's own description, for tests that walk every route.
import request from 'supertest'

export interface Operation {
  method: 'get' | 'post' | 'put' | 'patch' | 'delete'
  path: string
  parameters: { in: string; name: string; required?: boolean; schema: Schema }[]
  body: Schema | null
  responses: Record<string, { content?: Record<string, { schema: Schema }> }>
  security: unknown[] | undefined
}

// JSON Schema 2020-12, of any shape.
// biome-ignore lint/suspicious/noExplicitAny: a schema is whatever the document says
export type Schema = any

export async function readDocument(officeUrl: string): Promise<{ document: Schema; operations: Operation[] }> {
  const { body: document } = await request(officeUrl).get('/openapi.json').expect(200)
  const operations = Object.entries<Schema>(document.paths).flatMap(([path, methods]) =>
    Object.entries<Schema>(methods).map(([method, operation]) => ({
      method: method as Operation['method'],
      path,
      parameters: operation.parameters ?? [],
      body: operation.requestBody?.content?.['application/json']?.schema ?? null,
      responses: operation.responses,
      security: operation.security,
    })),
  )
  return { document, operations }
}

/** An address with something in every place. */
export const filled = (path: string, value = 'nothing'): string => path.replaceAll(/\{\w+\}/g, value)
