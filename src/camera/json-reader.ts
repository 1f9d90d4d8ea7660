// Plain checks of a value that came out of a JSON file; each fault names its place. Pure.

export interface JsonReader {
  member(name: string): JsonReader
  optional(name: string): JsonReader | null
  list<T>(name: string, read: (item: JsonReader) => T): T[]
  text(pattern?: RegExp): string
  whole(bounds: { min: number; max?: number }): number
  flag(): boolean
  oneOf<T extends string>(values: readonly T[]): T
  fail(what: string): never
}

/** A scenario is written by hand; longer lists are a mistake. */
const ITEMS_MAX = 10_000

/** `place` is a JSON pointer (RFC 6901) without escapes: names in these files need none. */
export function readerOf(value: unknown, place = ''): JsonReader {
  const fail = (what: string): never => {
    throw new Error(`${place || '/'}: ${what}`)
  }
  const member = (name: string): unknown =>
    typeof value === 'object' && value !== null && !Array.isArray(value)
      ? Object.entries(value).find(([key]) => key === name)?.[1]
      : fail('must be an object')
  return {
    member: (name) => readerOf(member(name), `${place}/${name}`),
    optional: (name) => ((member(name) ?? null) === null ? null : readerOf(member(name), `${place}/${name}`)),
    list(name, read) {
      const items = member(name)
      if (!Array.isArray(items) || items.length > ITEMS_MAX) {
        throw new Error(`${place}/${name}: must be a list of at most ${ITEMS_MAX}`)
      }
      return items.map((item, index) => read(readerOf(item, `${place}/${name}/${index}`)))
    },
    text: (pattern = /./) =>
      typeof value === 'string' && pattern.test(value) ? value : fail(`must be a text that matches ${pattern}`),
    whole: ({ min, max = Number.MAX_SAFE_INTEGER }) =>
      typeof value === 'number' && Number.isSafeInteger(value) && value >= min && value <= max
        ? value
        : fail(`must be a whole number from ${min} to ${max}`),
    flag: () => (typeof value === 'boolean' ? value : fail('must be true or false')),
    oneOf: (values) => values.find((known) => known === value) ?? fail(`must be one of ${values.join(', ')}`),
    fail,
  }
}
