// The steps of each method, for somebody who does it for the first time. Pure. Voltages, currents and times are common
// practice in this trade and have no source; the maker's instructions for the model come first, and the sheet says so.
import type { Method } from '../tasks/facts.js'
import type { Sheet } from './sheet.js'

export interface MethodWords {
  title: string
  tools: string[]
  /** Expected times; common practice, no source. */
  times: string
  steps: string[]
  /** What to tick while working. */
  stages: string[]
}

const NAME_STEP =
  'Name exact, capitals and small letters too: no “(1)” from a second download, no second ending such as “.bin.txt” (let the computer show endings), not zipped.'

/** Before anything is connected: the right unit, and nothing that is lost by the upgrade. */
export function firstSteps(sheet: Sheet): string[] {
  const { installsOver, task } = sheet
  const allowed =
    installsOver === null
      ? `Already ${task.toVersion}? Nothing to do: write it down.`
      : `Go on only if it is ${installsOver.join(' or ')}. Otherwise stop and tell the office.`
  return [
    'Read IMEI or serial number off the unit itself. Not the one on this sheet? Stop, put the unit aside, tell the office.',
    `Read the version off the unit and write it down. ${allowed}`,
    'Copy clips that are wanted, note or save the settings. Of many units do one, and see it work, before the others.',
  ]
}

export function fileSteps(sheet: Sheet): string[] {
  const { name, sizeBytes } = sheet.file
  return [
    `Fetch the file by the link (type it, or scan the code) and save it as ${name}.`,
    NAME_STEP,
    `Size must be ${sizeBytes} bytes. Compare the SHA-256 group by group. Differs? Delete it, fetch again; differs twice: stop, tell the office.`,
  ]
}

/** One line for each kind of computer, by what comes with it. */
export const checksOf = (name: string): { system: string; command: string }[] => [
  { system: 'Windows', command: `certutil -hashfile ${name} SHA256` },
  { system: 'Linux', command: `sha256sum ${name}` },
  { system: 'macOS', command: `shasum -a 256 ${name}` },
]

const AFTER_STAGES = ['restarted', 'version read']

export const METHOD_WORDS: Record<Method, (sheet: Sheet) => MethodWords> = {
  cable: () => ({
    title: 'Cable, at the bench',
    tools: [
      'regulated supply, 2 A or more for each unit, with current limit',
      'fuse 2–3 A',
      'meter',
      'data cable of your own',
      'computer on mains, with the driver for this model',
    ],
    times: 'start up to 2 min, writing 6–8 min, first start longer than usual',
    steps: [
      'Computer: no sleep, no USB power saving, cable straight into a port, no hub. A cable that only charges is the most frequent fault.',
      'Supply: 12 V units 12.0–13.8 V, 24 V units (lorries) 24–28 V. Set the current limit. Fuse 2–3 A in the plus line.',
      'Check polarity with the meter at the plug BEFORE it goes into the unit. Computer and unit share one ground.',
      'Join the ignition wire to plus, or the unit falls asleep while it is written. Write down the volts.',
      'Serial lines: connect with power off, and only the right level (RS-232 is not 3.3 V).',
      'Start the unit for writing as its instructions say (often: hold the key, then switch on). Write the file.',
      'Write down the volts under load. Do not unplug while the light blinks, and not at “100 %”: wait for the restart.',
    ],
    stages: ['file checked', 'polarity checked', 'writing', 'written', ...AFTER_STAGES],
  }),
  card: () => ({
    title: 'Memory card',
    tools: ['card of 8–32 GB that is known to be good, not the recording card', 'card reader', 'meter'],
    times: 'start up to 2 min, installing 6–8 min, first start longer than usual',
    steps: [
      'Format the card FAT32 (quick, one partition). Cards over 32 GB come as exFAT, which many units cannot read.',
      'Copy this one firmware file to the top level of the card: no folder, no other firmware, no “._” files beside it.',
      'Check the SHA-256 again of the file on the card: worn and fake cards change files.',
      'Eject the card on the computer before pulling it.',
      'Supply steady: 12 V units 12.0–13.8 V, 24 V units 24–28 V; in a vehicle engine running or charger on. Write down the volts.',
      'Unit off. Take the recording card out and label it. Put the upgrade card in, the right way round. Switch on.',
      'Do not switch off, unplug or start the engine while the light blinks. Wait for the restart.',
      'Take the card out and DELETE the file from it, or the unit installs again at every start. Put the recording card back.',
    ],
    stages: ['file checked', 'card checked', 'ejected', 'installed', ...AFTER_STAGES, 'file removed'],
  }),
  hotspot: () => ({
    title: 'Phone hotspot or local Wi-Fi',
    tools: ['phone on a charger', 'the app or page that the model’s instructions name', 'meter'],
    times: 'start up to 2 min, transfer by size, installing 6–8 min, first start longer than usual',
    steps: [
      'Phone: on charge, screen stays on, battery saver off, “turn hotspot off when idle” off, VPN off, no calls.',
      'Hotspot or unit Wi-Fi: 2.4 GHz only, WPA2, name and password of plain letters and digits, no blanks.',
      'Mobile data of the phone on or off as the model’s instructions say. Know who pays: the file goes over its plan.',
      'Supply steady: engine running or charger on, handbrake set, not at a fuel stop. Write down the volts.',
      'Stay within 2 m. Connect phone and unit. If the phone leaves a Wi-Fi “without Internet”, tell it to stay.',
      'Send the file as the model’s instructions say. Do not switch to another app until it is across.',
      'Do not switch off, unplug, start or stop the engine while the light blinks. Wait for the restart.',
      'Set the phone back. Delete the file from the phone.',
    ],
    stages: ['file checked', 'connected', 'file across', 'installed', ...AFTER_STAGES],
  }),
  air: (sheet) => ({
    title: 'Over the air: a visit to the unit',
    tools: ['meter', 'phone to call the office'],
    times: 'a visit 15 min; a task by hand 30 min',
    steps: [
      'This task’s link is for the unit alone: whoever else opened it would be taken for the unit. So it is not on this sheet.',
      'Look at the unit: supply there with ignition on, light on, antenna in, SIM in, card in, place with mobile signal.',
      'Leave it running with ignition on for 20 min and ask the office whether it has fetched the file.',
      `Stubborn? Do it by hand. The office first replaces this task, so that the unit does not install twice: firmhand task issue --unit ${sheet.unit.imei ?? sheet.unit.id} --package ${sheet.file.package} --method card --supersede (or cable, hotspot), then prints the sheet of the new task.`,
    ],
    stages: ['supply', 'SIM', 'signal', 'antenna', ...AFTER_STAGES],
  }),
}

export function lastSteps(sheet: Sheet): string[] {
  const { soakMinutes } = sheet.times
  return [
    `Read the version off the unit; write it down with the time. Read it again ${soakMinutes} min later or more.`,
    'Check: it records, its time is right, the platform sees it. Compare the settings with those from before.',
  ]
}

/** First what it looks like, then what to try, in this order. */
export const TROUBLE: readonly { sign: string; remedy: string }[] = [
  {
    sign: 'No life',
    remedy:
      'Wait 15 min, leave power on. Fuse and volts at the plug under load. Power off for 5 min. Start without card and accessories. Recovery by card or bench. Swap the unit.',
  },
  {
    sign: 'Old version',
    remedy:
      'File name to the letter. Right variant. A step between needed. Same version is refused. Card format. Supply too low. One more restart.',
  },
  {
    sign: 'New version, platform silent',
    remedy: 'APN. Server and port. SIM lock. IMEI changed. Clock. Antenna. Platform does not know the new version.',
  },
  {
    sign: 'New version, behaves oddly',
    remedy:
      'Factory reset where the release notes say so. Send the settings again. Calibrate. Go back only if that is allowed.',
  },
  { sign: 'Starts over and over', remedy: 'Firmware file still on the card. Supply too weak. Settings damaged.' },
  { sign: 'Computer does not see it', remedy: 'Cable. Port. Driver. Start mode and its timing. Ground.' },
]
