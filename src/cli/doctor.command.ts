import type { Command } from 'commander'
import { examine } from '../doctor/examine.driver.js'
import type { Finding } from '../doctor/finding.js'
import { countGrades, judge } from '../doctor/judge.js'
import { EXIT, type Run } from './command.js'
import { configFrom } from './server-config.js'

const SIGNS = { ok: 'ok', unknown: 'not known', caution: 'CAUTION', fault: 'FAULT' }
const SIGN_WIDTH = 9
const CHECK_WIDTH = 18

/** The remedy stands below its finding, where the eye is. */
const linesOf = ({ check, grade, text, remedy }: Finding): string[] => [
  `${SIGNS[grade].padEnd(SIGN_WIDTH)}  ${check.padEnd(CHECK_WIDTH)}  ${text}`,
  ...(remedy === null || grade === 'ok' ? [] : [`${' '.repeat(SIGN_WIDTH + CHECK_WIDTH + 4)}${remedy}`]),
]

export function doctorCommand(program: Command, run: Run): void {
  program
    .command('doctor')
    .description('look at the data folder, the machine and the public address, and say what is wrong')
    .option('--config <FILE>', 'settings from a JSON file')
    .addHelpText(
      'after',
      '\nWorks while the server runs and while it does not. It changes nothing, and asks no address but the listeners and\nFIRMHAND_PUBLIC_URL. Exit code 1 where there is a fault; cautions alone are 0.',
    )
    .action(async (options: { config?: string }) => {
      const config = await configFrom(run, options.config)
      const findings = judge(await examine(config, run.io.clock))
      const { fault, caution, unknown, ok } = countGrades(findings)
      if (fault > 0) run.end(EXIT.failed)
      if (run.json()) {
        const counts = { ok, unknown, cautions: caution, faults: fault }
        run.io.out(`${JSON.stringify({ healthy: fault === 0, ...counts, findings })}\n`)
        return
      }
      for (const line of findings.flatMap(linesOf)) run.io.out(`${line}\n`)
      run.io.out(`\nfaults: ${fault}, cautions: ${caution}, not known: ${unknown}, in order: ${ok}\n`)
    })
}
