// What the public listener answers, as a part of the API's description: for platforms that report, and for whoever asks
// what a camera is served. Pure.

// biome-ignore lint/suspicious/noExplicitAny: JSON of the published form
type Json = any

const EMPTY = (description: string) => ({ description })
const text = (name: string, pattern: string) => ({
  in: 'path',
  name,
  required: true,
  schema: { type: 'string', pattern },
})

export function publicPaths(document: Json, publicUrl: string | null): Json {
  const servers = [{ url: publicUrl ?? 'http://localhost:8080', description: 'The public listener' }]
  const office = document.paths['/api/v1/check-ins'].post
  const inHouse = ['source']
  return {
    '/in/check-ins': {
      servers,
      post: {
        ...office,
        operationId: 'reportCheckIns',
        tags: ['public'],
        description:
          'Versions reported by a platform: the same body and answer as on the office listener. Roles: check-in.',
        security: [{ key: [] }],
        'x-firmhand-role': ['check-in'],
        parameters: office.parameters.filter((one: Json) => !inHouse.includes(one.name)),
      },
    },
    '/d/{token}/{fileName}': {
      servers,
      parameters: [text('token', '^[2-9a-hjkmnp-zA-HJKMNP-Z]{16}$'), text('fileName', '^[^/?#]+$')],
      get: download('downloadFile', 'The file of a link. One range only; several are answered with the whole.'),
      head: download('headFile', 'The fields of the file, without it.'),
    },
  }
}

function download(operationId: string, description: string): Json {
  const bytes = { content: { 'application/octet-stream': { schema: {} } } }
  return {
    operationId,
    description: `${description} Every answer but 200 and 206 has an empty body: some units install whatever they get.`,
    tags: ['public'],
    security: [],
    responses: {
      200: { description: 'The whole file', ...bytes },
      206: { description: 'The range asked for (RFC 9110 §15.3.7)', ...bytes },
      304: EMPTY('Not changed (RFC 9110 §15.4.5)'),
      400: EMPTY('No request that can be read'),
      404: EMPTY('No such link'),
      405: EMPTY('Only GET and HEAD'),
      410: EMPTY('Ended, revoked, withdrawn, or its bytes are spent'),
      412: EMPTY('A condition does not hold (RFC 9110 §15.5.13)'),
      416: EMPTY('No such range'),
      429: EMPTY('Too many connections on one link; see Retry-After'),
      503: EMPTY('For the moment not; see Retry-After'),
    },
  }
}
