import { type Command, InvalidArgumentError } from 'commander'
import type { HeldNumbers } from '../hold/hold.js'
import { type Run, show } from './command.js'

interface HoldView {
  onHold: boolean
  since: string | null
  reason: string | null
  cause: string | null
  setBy: string | null
  backup: { at: string; head: string } | null
  held: HeldNumbers
}

export const heldLines = (held: HeldNumbers): string[] => [
  `  ${held.openTasks} open tasks`,
  `  ${held.liveLinks} live links`,
  `  ${held.unsentCommands} commands not marked as sent`,
]

function lines(hold: HoldView): string[] {
  if (!hold.onHold) return ['not on hold: things go out; a hold would hold', ...heldLines(hold.held)]
  const { openTasks, liveLinks, unsentCommands } = hold.held
  return [
    `ON HOLD   since ${hold.since}, set by ${hold.setBy}`,
    `reason    ${hold.reason}`,
    ...(hold.backup === null ? [] : [`backup    of ${hold.backup.at}, log up to ${hold.backup.head}`]),
    'held',
    ...heldLines(hold.held),
    'Once they are reviewed:',
    `  firmhand hold release --acknowledge ${openTasks},${liveLinks},${unsentCommands} --note "what was reviewed"`,
  ]
}

function readNumbers(text: string): HeldNumbers {
  const match = /^(\d{1,9}),(\d{1,9}),(\d{1,9})$/.exec(text)
  if (!match) throw new InvalidArgumentError('must be the three numbers that "firmhand hold show" prints, as 12,12,3')
  const [openTasks, liveLinks, unsentCommands] = match.slice(1).map(Number) as [number, number, number]
  return { openTasks, liveLinks, unsentCommands }
}

export function holdCommands(program: Command, run: Run): void {
  const hold = program.command('hold').description('a stop to everything that goes out, as after a restore')
  hold
    .command('show')
    .description('whether the server is on hold, since when, why, and what it holds')
    .action(async () => {
      const found = await run.api().get<HoldView>('/hold')
      show(run, found, () => lines(found))
    })
  hold
    .command('set')
    .description('from now on nothing goes out: no task, no text, no link, no byte; reports are taken in')
    .requiredOption('--reason <TEXT>', 'why, for the record')
    .action(async (options: { reason: string }) => {
      const set = await run.api().send<HoldView>('POST', '/hold', { reason: options.reason })
      show(run, set, () => lines(set))
    })
  hold
    .command('release')
    .description('let things go out again, once what is held was reviewed')
    .requiredOption(
      '--acknowledge <NUMBERS>',
      'open tasks, live links, unsent commands, as "hold show" prints',
      readNumbers,
    )
    .requiredOption('--note <TEXT>', 'what was reviewed, for the record')
    .action(async (options: { acknowledge: HeldNumbers; note: string }) => {
      const released = await run.api().send<HoldView>('POST', '/hold/release', options)
      show(run, released, () => lines(released))
    })
}
