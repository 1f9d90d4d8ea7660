// What each skip code of an issue means and what is done about it: for the API's document and docs/errors.md. Pure.
import type { Advice } from '../http/problem-guide.js'
import type { Skip } from './issue-draft.js'

export const SKIP_GUIDE: Record<Skip['code'], Advice> = {
  'open-task': {
    when: 'The unit has an open task.',
    remedy: 'Wait for it, cancel it, or issue with `supersede`; from fetched on also with `acknowledge`.',
  },
  'already-on-target': {
    when: 'The unit reports the version of the package already.',
    remedy: 'Nothing; or issue with `force` to install it again.',
  },
  'wrong-model': { when: 'The package is for another model.', remedy: 'Choose a package of the unit’s model.' },
  'path-not-allowed': {
    when: 'The package does not install over the version that the unit reports.',
    remedy: 'Issue a package in between first.',
  },
  'no-identity': {
    when: 'The command names an identity (IMEI, serial number) that the unit does not have.',
    remedy: 'Add it to the unit, or use a method by hand.',
  },
  'command-too-long': {
    when: 'The command with its link is longer than the profile allows.',
    remedy: 'Shorten the public address or the file name, or raise the limit if the model takes it.',
  },
  'package-not-released': {
    when: 'The package is a draft, or withdrawn.',
    remedy: 'Release it, or choose another one.',
  },
  'unit-retired': { when: 'The unit is retired.', remedy: 'Leave it out, or set `retired` to false.' },
  'unit-unknown': { when: 'No unit has this name.', remedy: 'Correct the name, or add the unit.' },
}
