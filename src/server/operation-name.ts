// Names of calls for generated clients: listUnits, getUnit, attestTask. Pure; from method and address alone, so that the
// name of a call never changes while its address stays.

const VERBS: Record<string, string> = { post: 'create', put: 'put', patch: 'change', delete: 'delete' }

const upper = (word: string): string => word.charAt(0).toUpperCase() + word.slice(1)
const camel = (segment: string): string =>
  segment
    .split(/[^A-Za-z0-9]/)
    .map(upper)
    .join('')
const singular = (noun: string): string => noun.replace(/s$/, '')

/** @param url with places as `:id` or `{id}` */
export function operationName(method: string, url: string): string {
  const verb = method.toLowerCase()
  const segments = url
    .replace(/^\/api\/v1/, '')
    .split('/')
    .filter(Boolean)
  const isPlace = (segment: string | undefined) => segment !== undefined && /^[:{]/.test(segment)
  const words = segments.filter((segment) => !isPlace(segment)).map(camel)
  const last = words.at(-1) ?? 'Root'
  const before = words.slice(0, -1).map(singular).join('')
  if (isPlace(segments.at(-1))) return `${VERBS[verb] ?? 'get'}${before}${singular(last)}`
  // Behind the name of one thing: what is done to it, or what is read of it.
  if (isPlace(segments.at(-2))) {
    return verb === 'post'
      ? `${last.charAt(0).toLowerCase()}${last.slice(1)}${before}`
      : `${VERBS[verb] ?? 'get'}${before}${last}`
  }
  if (words.length > 1) return `${verb}${words.join('')}`
  if (verb === 'get') return /s$/.test(last) && last !== 'Metrics' ? `list${last}` : `get${last}`
  return `${VERBS[verb]}${singular(last)}`
}
