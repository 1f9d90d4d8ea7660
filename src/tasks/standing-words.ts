// What the standings and the closed tasks say to an operator. Plain words: likely cause first, then what to do. Pure.

export interface Words {
  cause: string
  next: string
  /** What to do, or to wait for, while all is on course. */
  meanwhile?: string
}

export const WORDS = {
  onHold: {
    cause: 'The server is on hold: no command and no byte goes out, and the deadline stands still.',
    next: 'Have an integrator review what is held ("firmhand hold show") and release it; nothing is to be sent before.',
  },
  notSent: {
    cause: 'The command has not been sent, as far as is known.',
    next: 'Send the command, or note that it was sent.',
    meanwhile: 'Send the command.',
  },
  nothingAsked: {
    cause:
      'The unit has not asked for the file: switched off or without coverage, wrong phone number, sender or password ' +
      'not accepted, command changed on the way, or no mobile data (APN, allowance used up).',
    next: 'Check number, coverage and data of the SIM and whether the text was delivered; then send the command again.',
  },
  noByte: {
    cause:
      'The unit asked for the file, but no byte is known to have arrived: a packet size that the mobile network ' +
      'does not carry, or a proxy on the way.',
    next: 'Run "firmhand doctor" on the server for its public address; try another SIM or APN on one unit.',
  },
  bytesStop: {
    cause:
      'The download broke off: coverage lost or ignition off. At the same byte each time: storage or a size limit.',
    next: 'Wait for the next trip; if it stops at the same byte again, check the storage of the unit.',
  },
  uncounted: {
    cause:
      'Every byte was sent, but whether the unit got them could not be counted, and it has not reported a version.',
    next: 'Ask the unit for its version.',
    meanwhile: 'The unit should be installing; its version is waited for.',
  },
  noVersion: {
    cause:
      'The file is complete, but no version was reported since the install time: the platform does not pass it on, ' +
      'the unit waits for a restart, or the installation went wrong (bad flash, power cut).',
    next: 'Ask the unit for its version; if it stays silent, send a person.',
    meanwhile: 'The unit should be installing; its version is waited for.',
  },
  stillOld: {
    cause:
      'The old version is still reported: the unit installs at the next ignition, or it refused the file ' +
      '(wrong variant, same version, low battery).',
    next: 'Wait for the next ignition, then ask the unit for its version.',
  },
  damagedOnce: {
    cause: 'The copy in the unit did not match the digest; units try again by themselves.',
    next: 'Wait for the next try; if it is damaged again, check storage and network of the unit.',
  },
  soak: {
    cause: 'The target version was reported, but not again after the soak time.',
    next: 'Ask the unit for its version, or confirm by your own word.',
    meanwhile: 'The target version must still be reported after the soak time.',
  },
  untimed: {
    cause: 'The target version is reported, but without a time of observation that can be relied on.',
    next: 'Ask the unit for its version, or confirm by your own word.',
  },
  sourcesDiffer: {
    cause: 'Another source reports the old version: a cached value, or the unit went back.',
    next: 'Ask the unit itself for its version.',
  },
  handNotCopied: {
    cause: 'The file has not been fetched for this job.',
    next: 'Print the sheet, fetch the file with the copy link and do the job, or cancel it.',
    meanwhile: 'Print the sheet and fetch the file with the copy link.',
  },
  handNotRead: {
    cause: 'The file was fetched, but no version has been read since.',
    next: 'Install by the sheet, read the version at the bench, and type the sheet in.',
    meanwhile: 'Install by the sheet, read the version at the bench, and type the sheet in.',
  },
  handStillOld: {
    cause:
      'The old version was read after the installation: file name or place on the card, wrong variant, supply too ' +
      'weak, or a second restart is needed.',
    next: 'Look under “When it does not come up” on the sheet; then read the version at the bench again.',
  },
  handDamaged: {
    cause: 'The copy on the technician’s computer or card did not match the digest.',
    next: 'Delete that copy, fetch the file again with the copy link, and check it before it goes into the unit.',
  },
  handSoak: {
    cause: 'The target version was read, but not again after the soak time.',
    next: 'Read the version at the bench once more, or confirm by your own word.',
    meanwhile: 'Read the version at the bench once more after the soak time.',
  },
} as const satisfies Record<string, Words>

/** Where the job is done by hand, there is no text to send and no download of the unit to wait for. */
export const HAND_CLOSED_WORDS: ReadonlyMap<string, Words> = new Map(
  Object.entries({
    'not-applied': {
      cause: 'The file was installed by hand, and the old version was read twice since.',
      next: 'Check variant, file name and supply; then issue a new task, and look at the card or cable first.',
    },
    damaged: {
      cause: 'The copy for the unit did not match the digest.',
      next: 'Use another card or computer; then issue a new task and check the digest before installing.',
    },
    'no-answer': {
      cause: 'The file was fetched for the job, and no target version was read by the deadline.',
      next: 'Read the version at the bench, enter it, and issue a new task if it is not the target.',
    },
    deadline: {
      cause: 'Nobody is known to have begun the job by the deadline.',
      next: 'Issue a new task if it is still wanted, and print its sheet.',
    },
  }),
)

/** By reason. A person's own words and `confirmed` need none. */
export const CLOSED_WORDS: ReadonlyMap<string, Words> = new Map(
  Object.entries({
    'not-applied': {
      cause: 'The unit had the file and time to install it, and still reports the old version.',
      next: 'Check variant and supply of the unit; then issue a new task, or install by hand.',
    },
    reverted: {
      cause: 'The unit reported the target and then the old version again.',
      next: 'Look for power cuts or a failed start after the installation before trying again.',
    },
    'unexpected-version': {
      cause: 'The unit reports a version that belongs to no task of it.',
      next: 'Find out who changed it; check model and variant before a new task.',
    },
    'path-not-allowed': {
      cause: 'The unit turned out to run a version that the package may not be installed over.',
      next: 'Issue a task for the step between.',
    },
    'fetch-stalled': {
      cause: 'The download began but was not complete at the deadline.',
      next: 'Check coverage, data allowance and storage of the unit; then issue a new task.',
    },
    'fetch-loop': {
      cause: 'The unit fetched the same bytes again and again until the byte budget was spent.',
      next: 'Check storage and variant of the unit before a new task.',
    },
    damaged: {
      cause: 'The copy in the unit did not match the digest.',
      next: 'Check storage and network of the unit; then issue a new task, or install by hand.',
    },
    refused: { cause: 'The unit answered that it refuses.', next: 'Read its reply; check variant and command.' },
    'no-answer': {
      cause: 'Nothing was heard of the target version by the deadline.',
      next: 'Ask the unit for its version; if it stays silent, send a person.',
    },
    deadline: {
      cause: 'Nothing is known to have been done by the deadline.',
      next: 'Issue a new task if it is still wanted.',
    },
    'package-withdrawn': { cause: 'The package was withdrawn.', next: 'Choose another package.' },
    'newer-task': { cause: 'A newer task for the unit took its place.', next: 'See the newer task.' },
    'no-life': { cause: 'A person found the unit without life.', next: 'Recover it at the bench, or replace it.' },
    'wrong-variant': {
      cause: 'A person found that the package is not for this unit.',
      next: 'Correct the unit record; choose the package for it.',
    },
  }),
)
