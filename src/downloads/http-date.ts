// Dates of HTTP (RFC 9110 §5.6.7): written as IMF-fixdate, read in all three forms a recipient must accept. Pure.

const MONTHS = ['jan', 'feb', 'mar', 'apr', 'may', 'jun', 'jul', 'aug', 'sep', 'oct', 'nov', 'dec']

const IMF_FIXDATE = /^[a-z]{3}, (\d{2}) ([a-z]{3}) (\d{4}) (\d{2}):(\d{2}):(\d{2}) gmt$/
const RFC_850 = /^[a-z]{6,9}, (\d{2})-([a-z]{3})-(\d{2}) (\d{2}):(\d{2}):(\d{2}) gmt$/
const ASCTIME = /^[a-z]{3} ([a-z]{3}) ([ \d]\d) (\d{2}):(\d{2}):(\d{2}) (\d{4})$/

/** e.g. `Wed, 01 May 2024 10:00:00 GMT`: what ECMAScript gives for UTC is IMF-fixdate to the letter. */
export const formatHttpDate = (ms: number): string => new Date(ms).toUTCString()

/** Unix time in ms, or null where the text is no date of HTTP: the condition that carries it is then ignored. */
export function parseHttpDate(text: string): number | null {
  const lower = text.trim().toLowerCase()
  const fixdate = IMF_FIXDATE.exec(lower)
  if (fixdate) return toMs([fixdate[3], fixdate[2], fixdate[1], fixdate[4], fixdate[5], fixdate[6]])
  const rfc850 = RFC_850.exec(lower)
  if (rfc850) {
    // §5.6.7 wants a year that seems over 50 years ahead to be the past one; firmware was not served before 1970.
    const century = Number(rfc850[3]) >= 70 ? '19' : '20'
    return toMs([`${century}${rfc850[3]}`, rfc850[2], rfc850[1], rfc850[4], rfc850[5], rfc850[6]])
  }
  const asctime = ASCTIME.exec(lower)
  if (asctime) return toMs([asctime[6], asctime[1], asctime[2], asctime[3], asctime[4], asctime[5]])
  return null
}

/** Year, month's name, day, hour, minute, second. Days and hours that do not exist are refused, not rolled over. */
function toMs(parts: (string | undefined)[]): number | null {
  const [year, , day, hour, minute, second] = parts.map(Number) as [number, number, number, number, number, number]
  const month = MONTHS.indexOf(parts[1] ?? '')
  if (month < 0 || hour > 23 || minute > 59 || second > 60) return null
  const ms = Date.UTC(year, month, day, hour, minute, second)
  const date = new Date(ms)
  return date.getUTCDate() === day || second === 60 ? ms : null
}
