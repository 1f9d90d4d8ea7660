// The order of the files: what takes longest begins first, so that at the end no core waits for one long file.
import path from 'node:path'
import { BaseSequencer, type TestSpecification } from 'vitest/node'

/** By the order of their time on two idle cores; every other file takes less than ten seconds and comes after them. */
const LONG = [
  'docs/examples',
  'cli/serve',
  'server/full-disk-start',
  'units/long-lists',
  'server/kill',
  'server/process',
  'upkeep/scrub',
  'server/stop',
  'upkeep/restore',
  'camera/scenario',
  'downloads/responder',
  'events/events',
  'server/pause',
].map((name) => `${path.sep}${path.join('tests', name)}.test.ts`)

export class LongestFirst extends BaseSequencer {
  override async sort(files: TestSpecification[]): Promise<TestSpecification[]> {
    const rank = ({ moduleId }: TestSpecification): number => {
      const at = LONG.findIndex((name) => path.normalize(moduleId).endsWith(name))
      return at < 0 ? LONG.length : at
    }
    return (await super.sort(files)).sort((a, b) => rank(a) - rank(b))
  }
}
