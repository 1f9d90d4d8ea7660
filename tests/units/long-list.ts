// Lists of any length, for tests of memory and of a server that dies in the middle.
import { testImei } from '../support/app.js'

/** Rows with a right IMEI, a serial number, a phone number of their own and a group; `spoilt`: every IMEI is wrong. */
export function listText(rows: number, options: { spoilt?: boolean; from?: number } = {}): string {
  const lines = ['imei,serial,model,phone,groups,timeZone,notes']
  for (let n = options.from ?? 0; lines.length <= rows; n += 1) {
    const imei = options.spoilt ? `x${testImei(n)}` : testImei(n)
    const phone = `+44790${String(n).padStart(7, '0')}`
    lines.push(`${imei},LIST-${n},sill-cam,${phone},depot ${n % 40},Europe/London,row ${n}`)
  }
  return `${lines.join('\r\n')}\r\n`
}
