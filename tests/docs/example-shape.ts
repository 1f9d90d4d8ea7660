// Whether a program's output has the shape that a document shows: the same members and types, the same lines but for numbers,
// ids and times. `…` stands for anything. Pure.

const literal = (text: string): string => text.replace(/[.*+?^${}()|[\]\\]/g, '\\$&')

/** What differs from run to run, as a pattern. */
const patternOf = (line: string): RegExp =>
  new RegExp(
    line
      .trim()
      .split('…')
      .map((part) =>
        literal(part)
          .replace(/[a-z]{1,2}_[0-9a-z]{10,}/g, '[a-z]{1,2}_[0-9a-z]+')
          .replace(/[0-9a-f]{32,}/g, '[0-9a-f]{32,}')
          .replace(/\d+/g, '\\d+')
          .replace(/ +/g, ' +'),
      )
      .join('.*'),
  )

/** What is amiss; empty = nothing. */
export function shapeFaults(shown: string, printed: string): string[] {
  if (!/^[{[]/.test(shown.trim())) return lineFaults(shown, printed)
  try {
    return valueFaults(JSON.parse(shown), JSON.parse(printed), '')
  } catch (error) {
    return [`not JSON: ${(error as Error).message}`]
  }
}

function lineFaults(shown: string, printed: string): string[] {
  const lines = printed.split('\n')
  let at = 0
  for (const line of shown.split('\n').filter((one) => one.trim() !== '' && one.trim() !== '…')) {
    const found = lines.findIndex((one, index) => index >= at && patternOf(line).test(one))
    if (found < 0) return [`no line like: ${line}`]
    at = found + 1
  }
  return []
}

function valueFaults(shown: unknown, printed: unknown, place: string): string[] {
  if (typeof shown === 'string' && typeof printed === 'string') {
    return shown.includes('…') && !patternOf(shown).test(printed) ? [`${place}: ${printed} is not like ${shown}`] : []
  }
  if (Array.isArray(shown) && Array.isArray(printed)) {
    if (printed.length < shown.length) return [`${place}: ${printed.length} items, shown are ${shown.length}`]
    return shown.flatMap((item, index) => valueFaults(item, printed[index], `${place}/${index}`))
  }
  const isObject = (value: unknown) => typeof value === 'object' && value !== null && !Array.isArray(value)
  if (isObject(shown) && isObject(printed)) {
    const [one, other] = [shown as Record<string, unknown>, printed as Record<string, unknown>]
    const names = [Object.keys(one).sort().join(' '), Object.keys(other).sort().join(' ')]
    if (names[0] !== names[1]) return [`${place}: has ${names[1]}, shown are ${names[0]}`]
    return Object.keys(one).flatMap((name) => valueFaults(one[name], other[name], `${place}/${name}`))
  }
  const kind = (value: unknown) => (value === null ? 'null' : typeof value)
  return kind(shown) === kind(printed) ? [] : [`${place}: is ${kind(printed)}, shown is ${kind(shown)}`]
}
